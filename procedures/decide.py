"""The verdict rules, as one ordered table over arrays. A study passes many parts, a bench one.

The first rule that holds for a value decides it, and of several conditions the one whose rule stands
highest in the table decides the part: worst counts, never best. All rules are the shop's (P).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from procedures.arrays import BoolArray, FloatArray, IntArray
from procedures.conformity import Tolerance, conformity, would_settle
from procedures.limits import COMMON, Limit
from procedures.scan import NOT_BELIEVED, UNREAD, Check, Condition, Verdict

ALIKE_MA = 0.005  # conditions that reach as far as this short of the worst are as bad as it
NOTHING: Mapping[str, str] = {}


@dataclass(frozen=True, slots=True)
class Facts:
    """What the rules look at, one element per value. Currents in mA, ``u`` expanded (k = 2)."""

    y: FloatArray
    u: FloatArray
    above: BoolArray
    rejected: BoolArray
    proved: BoolArray
    rising: BoolArray
    attempt: IntArray
    changed: BoolArray
    pass_ma: float
    fail_ma: float
    too_wide_u_ma: float
    guard: float  # of U: the guard band between what passes and ``pass_ma``


@dataclass(frozen=True, slots=True)
class Rule:
    """One row: the verdict where ``holds``. ``words`` are filled in by ``decide``."""

    name: str
    verdict: Literal["pass", "fail", "none"]
    holds: Callable[[Facts], BoolArray]
    words: str


RULES: tuple[Rule, ...] = (
    Rule("rejected", "fail", lambda f: f.rejected, "{why}"),
    Rule(
        "above the cut-off",
        "fail",
        lambda f: f.above,
        "{name}: above {y:.2f} mA, off after {after}{why}",
    ),
    Rule(
        "above the fail limit",
        "fail",
        lambda f: f.y > f.fail_ma,
        "{name}: {y:.3f} mA ± {u:.3f} is above the fail limit of {fail_ma:.2f} mA",
    ),
    Rule("rising", "fail", lambda f: f.rising, "{name}: {why}"),
    Rule(
        "not proved",
        "none",
        lambda f: ~f.proved | ~np.isfinite(f.y) | ~np.isfinite(f.u),
        "not proved: {why}",
    ),
    Rule(
        "uncertainty too wide",
        "none",
        lambda f: f.u > f.too_wide_u_ma,
        "{name}: {y:.3f} mA ± {u:.3f}, but no more than ± {too_wide_u_ma:.2f} may decide",
    ),
    Rule(
        "retest without a change",
        "none",
        lambda f: (f.attempt > 1) & ~f.changed,
        "a retest counts only after a recorded change (dried, cleaned, part replaced)",
    ),
    Rule(
        "still no pass",
        "fail",
        lambda f: (f.attempt > 1) & ~_passes(f),
        "{name}: {y:.3f} mA ± {u:.3f} after {change}, still no pass at {pass_ma:.2f} mA",
    ),
    Rule(
        "one retest only",
        "none",
        lambda f: f.attempt > 2,
        "attempt {attempt}: the one retest that counts is used",
    ),
    Rule(
        "too close to call",
        "none",
        lambda f: ~_passes(f) & (f.y <= f.pass_ma + f.u),
        "{name}: {y:.3f} mA ± {u:.3f} is too close to {pass_ma:.2f} mA to call{why}",
    ),
    Rule(
        "retest",
        "none",
        lambda f: ~_passes(f),
        "{name}: {y:.3f} mA ± {u:.3f}, between {pass_ma:.2f} and {fail_ma:.2f} mA: change, retest",
    ),
    Rule(
        "pass",
        "pass",
        lambda f: _passes(f),
        "worst {y:.3f} mA ± {u:.3f} in {name}, limit {pass_ma:.2f} mA",
    ),
)
CODES: Mapping[str, int] = {rule.name: code for code, rule in enumerate(RULES)}


def _passes(f: Facts) -> BoolArray:
    passes: BoolArray = f.y + f.guard * f.u <= f.pass_ma
    return passes


def decide_arrays(
    y: npt.ArrayLike,
    u: npt.ArrayLike,
    above: npt.ArrayLike,
    rejected: npt.ArrayLike,
    proved: npt.ArrayLike,
    rising: npt.ArrayLike,
    attempt: npt.ArrayLike,
    *,
    changed: npt.ArrayLike = True,
    limits: Mapping[str, Limit] | None = None,
) -> IntArray:
    """Verdict codes (indices into RULES), one per value: the first rule that holds.

    Whatever no rule covers is *not proved*: a missing number (NaN) never passes.
    """
    bounds = limits or {limit.name: limit for limit in COMMON.limits}
    facts = Facts(
        y=np.atleast_1d(np.asarray(y, np.float64)),
        u=np.atleast_1d(np.asarray(u, np.float64)),
        above=np.asarray(above, np.bool_),
        rejected=np.asarray(rejected, np.bool_),
        proved=np.asarray(proved, np.bool_),
        rising=np.asarray(rising, np.bool_),
        attempt=np.asarray(attempt, np.int64),
        changed=np.asarray(changed, np.bool_),
        pass_ma=bounds["pass_ma"].value,
        fail_ma=bounds["fail_ma"].value,
        too_wide_u_ma=bounds["too_wide_u_ma"].value,
        guard=_guard(bounds),
    )
    held = np.broadcast_arrays(*(rule.holds(facts) for rule in RULES))
    return np.select(held, list(range(len(RULES))), default=CODES["not proved"]).astype(np.int64)


def decide(
    conditions: Sequence[Condition],
    required: Sequence[str],
    checks: Sequence[Check],
    limits: Mapping[str, Limit],
    attempt: int = 1,
    change: str = "",
    *,
    rising: Mapping[str, str] = NOTHING,
    doubts: Mapping[str, str] = NOTHING,
) -> Verdict:
    """One part's verdict. ``required`` names conditions that must have been proved, or checks met.

    ``rising`` gives the words of conditions whose rise rejects, ``doubts`` of those whose readings
    disagree: such a condition decides nothing but that nothing is proved. A missing positive control
    doesn't save a part that fails: it guards against readings that are too low.
    """
    counted = [c for c in conditions if c.counts and c.name not in doubts]
    lacking = _lacking(conditions, required, checks, doubts)
    refused = [check for check in checks if check.met is False]
    codes = decide_arrays(
        [c.y_ma for c in counted] or [math.nan],
        [c.u_ma for c in counted] or [math.nan],
        [c.basis == "above" for c in counted] or [False],
        bool(refused),
        not lacking,
        [c.name in rising for c in counted] or [False],
        attempt,
        changed=bool(change.strip()),
        limits=limits,
    )
    rule = RULES[int(codes.min())]
    worst = _worst([c for c, code in zip(counted, codes, strict=False) if code == codes.min()])
    why = _why(rule.name, refused, lacking, rising, worst)
    if rule.name == "too close to call":
        why = _settling(limits, worst)
    words = _words(rule, limits, attempt, change, worst, why)
    chance = _conformity(worst, limits["pass_ma"].value)
    return Verdict(rule.verdict, rule.name, words, worst, chance)


def _guard(limits: Mapping[str, Limit]) -> float:
    """The guard band as a share of U; the whole of it where no rule is chosen."""
    chosen = limits.get("guard_band_u")
    return 1.0 if chosen is None else chosen.value


def _settling(limits: Mapping[str, Limit], worst: Condition | None) -> str:
    """What would settle a value that is too close to call, from the budget's greatest contribution."""
    made_of = None if worst is None else worst.budget
    if made_of is None:
        return ""
    words = would_settle(made_of, limits["pass_ma"].value, _guard(limits))
    return f"; what would settle it: {words}"


def _conformity(worst: Condition | None, pass_ma: float) -> float | None:
    """Probability that the worst condition's true value is at most ``pass_ma`` (JCGM 106:2012 7.3)."""
    if worst is None or worst.basis == "above":
        return None
    u_ma = worst.u_ma / 2.0 if worst.budget is None else float(worst.budget.u)
    chance = float(conformity(worst.y_ma, u_ma, Tolerance(-math.inf, pass_ma)))
    return chance if math.isfinite(chance) else None


def _worst(conditions: Sequence[Condition]) -> Condition | None:
    """The one nearest to failing among those that the same rule decided; NaN is worst.

    Which of several equal ones reaches furthest is noise: the one with the most samples stands for them.
    """
    most_ma = max((_reach(c) for c in conditions), default=math.nan)
    alike = [c for c in conditions if _reach(c) >= most_ma - ALIKE_MA]
    return max(alike, key=lambda c: (c.samples, _reach(c)), default=None)


def _reach(condition: Condition) -> float:
    reach = condition.y_ma + condition.u_ma
    return math.inf if math.isnan(reach) else reach


def _lacking(
    conditions: Sequence[Condition],
    required: Sequence[str],
    checks: Sequence[Check],
    doubts: Mapping[str, str],
) -> list[str]:
    """What keeps the part from being proved, in words; empty when nothing does."""
    counted = [c for c in conditions if c.counts]
    there = {c.name for c in counted} | {check.name for check in checks if check.met}
    lacking = [f"{name} is missing" for name in dict.fromkeys(required) if name not in there]
    unproved = [c for c in checks if c.met is None and c.words.startswith((UNREAD, NOT_BELIEVED))]
    lacking += [f"{c.name}: {c.words}" for c in unproved]
    lacking += [] if counted else ["no leakage was measured"]
    lacking += [f"{c.name}: {doubts[c.name]}" for c in counted if c.name in doubts]
    for c in counted:
        if not c.control_seen:
            lacking.append(f"the positive control did not show in {c.name}")
        if not (math.isfinite(c.y_ma) and math.isfinite(c.u_ma)):
            lacking.append(f"no number in {c.name}")
    return lacking


def _why(
    rule: str,
    refused: Sequence[Check],
    lacking: Sequence[str],
    rising: Mapping[str, str],
    worst: Condition | None,
) -> str:
    """The words that the rule itself can't know."""
    note = worst.note if worst else ""
    by_rule = {
        "above the cut-off": f" ({note})" if note else "",
        "rejected": "; ".join(_refusal(check) for check in refused),
        "not proved": "; ".join(lacking),
        "rising": rising.get(worst.name, "") if worst else "",
    }
    return by_rule.get(rule, "")


def _refusal(check: Check) -> str:
    value = "" if check.value is None else f" {check.value:.4g} {check.unit}".rstrip()
    allowed = f", allowed {check.allowed}" if check.allowed else ""
    return f"{check.name}:{value}{allowed}" + (f" ({check.words})" if check.words else "")


def _words(
    rule: Rule,
    limits: Mapping[str, Limit],
    attempt: int,
    change: str,
    worst: Condition | None,
    why: str,
) -> str:
    after_s = worst.after_s if worst else None
    return rule.words.format(
        name=worst.name if worst else "",
        y=worst.y_ma if worst else math.nan,
        u=worst.u_ma if worst else math.nan,
        after="an unknown time" if after_s is None else f"{after_s:.1f} s",
        attempt=attempt,
        change=change.strip(),
        why=why,
        **{name: limits[name].value for name in ("pass_ma", "fail_ma", "too_wide_u_ma")},
    )
