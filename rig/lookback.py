"""A meter was off: which verdicts lean on it, and would they change?

Each attempt is decided again from its record by ``procedures.decide``: the figures with the meter's error
taken off, by the sensitivity that their own uncertainty budgets give (GUM 5.1.2: dy = c·dx), checks with
their value corrected; limits, attempt and change as they were. First without any correction: where that
doesn't give the verdict on record, nothing is claimed about it. Uncertainties stay as they were stated.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from procedures.decide import CODES, decide
from procedures.limits import Limit
from procedures.outcome import REJECTS
from procedures.scan import Check, Condition, Verdict
from procedures.uncertainty import ACCURACY, DC, SUPPLY
from results.history import Attempt
from results.searching import Wanted
from results.store import Store

Body = Mapping[str, Any]
# what a person calls it: the line of a budget that carries its sensitivity
LINES: Mapping[str, str] = {"leakage": ACCURACY, "supply": SUPPLY, "dc": DC}
REJECTED = (*REJECTS, "function")  # other names of the rule "rejected"
NEEDED = {"pass_ma", "fail_ma", "too_wide_u_ma"}
NUMBER = r"(-?[0-9.]+(?:e[+-]?[0-9]+)?)"
SAME, CHANGES, OPEN = "unchanged", "would change", "can't be said"
Judge = Callable[[float, Sequence[float]], bool]
ALLOWED: tuple[tuple[str, Judge], ...] = (
    (rf"(?:<=|at most) {NUMBER}.*", lambda value, bound: value <= bound[0]),
    (rf"(?:>=|at least) {NUMBER}.*", lambda value, bound: value >= bound[0]),
    (rf"{NUMBER} to {NUMBER}.*", lambda value, bound: bound[0] <= value <= bound[1]),
    (rf"{NUMBER} within {NUMBER}.*", lambda value, bound: abs(value - bound[0]) <= bound[1]),
)


@dataclass(frozen=True, slots=True)
class Off:
    """Which reading was off: one of LINES, or a check by how its name begins. It read ``by`` too high, in
    its unit, and ``percent`` of the true value besides."""

    reading: str
    by: float = 0.0
    percent: float = 0.0

    def error(self, reading: float) -> float:
        """Reading less truth."""
        return reading - (reading - self.by) / (1.0 + self.percent / 100.0)


NONE = Off("")


@dataclass(frozen=True, slots=True)
class Again:
    """One attempt that leans on the meter: what stands on record, and what would."""

    attempt: Attempt
    change: str
    verdict: str
    words: str


def look_back(store: Store, off: Off, wanted: Wanted) -> list[Again]:
    """Every attempt that is like that and leans on the meter, newest first."""
    found = []
    for one in store.search(wanted, None):
        if one.closing is not None and one.part:
            opening, closing = store.get(one.number).body, store.get(one.closing).body
            if leans(closing, off):
                found.append(again(one, opening, closing, off))
    return found


def leans(closing: Body, off: Off) -> bool:
    """Whether anything in an attempt was read by that meter."""
    if off.reading in LINES:
        return any(_line(c, off) is not None or _blind(c, off) for c in closing["conditions"])
    return any(_is(check, off) for check in closing["checks"])


def again(one: Attempt, opening: Body, closing: Body, off: Off) -> Again:
    """Decided as it was, then with the error taken off."""
    rule = "rejected" if closing["rule"] in REJECTED else str(closing["rule"])
    if rule not in CODES or NEEDED - {body["name"] for body in closing["limits"]}:
        return Again(one, OPEN, "", f"was not decided by figures: {closing['rule']}")
    was = redecided(opening, closing, NONE)
    if (was.verdict, was.rule) != (closing["verdict"], rule):
        return Again(one, OPEN, "", f"its record alone gives {was.verdict} ({was.rule})")
    missing = list(_open(closing, off))
    if missing:
        return Again(one, OPEN, "", f"can't be corrected: {', '.join(missing)}")
    now = redecided(opening, closing, off)
    change = SAME if now.verdict == was.verdict else CHANGES
    return Again(one, change, now.verdict, now.reason)


def _open(closing: Body, off: Off) -> Iterator[str]:
    """What leans on the meter and has no sensitivity, or no bound that can be read."""
    for body in closing["conditions"]:
        if off.reading in LINES and body["counts"] and _blind(body, off):
            yield f"{body['name']} (no budget)"
    for check in closing["checks"]:
        if _is(check, off) and check["met"] is not None and _judge(check) is None:
            yield f"{check['name']} (allowed: {check['allowed'] or 'not told'})"


def redecided(opening: Body, closing: Body, off: Off) -> Verdict:
    """The verdict by the rules, from a record."""
    limits = {body["name"]: _limit(body) for body in closing["limits"]}
    conditions = [_condition(body, off) for body in closing["conditions"]]
    worst = (closing.get("worst") or {}).get("name", "")
    rising = {worst: closing["reason"]} if closing["rule"] == "rising" else {}
    required = ("what was missing then",) if closing["rule"] == "not proved" else ()
    change = " ".join(str(body.get("change", "")) for body in (opening, closing["facts"]))
    return decide(
        conditions,
        required,
        [_check(body, off) for body in closing["checks"]],
        limits,
        int(opening.get("attempt", 1)),
        change,
        rising=rising,
    )


# ---- from a record's integers ----------------------------------------------------------------------


def _limit(body: Body) -> Limit:
    value = body["value_millionths"] / 1e6
    return Limit(body["name"], value, body["unit"], body["source"], body["mark"], body["version"])


def _condition(body: Body, off: Off) -> Condition:
    return Condition(
        name=body["name"],
        feed=body["feed"],
        basis=body["basis"],
        y_ma=max(0.0, _milli(body["y_ua"]) - _moved(body, off)),
        u_ma=_milli(body["u_ua"]),
        resistive_ma=_milli(body["resistive_ua"]),
        capacitive_ma=_milli(body["capacitive_ua"]),
        dc_ma=None,
        second_ma=None,
        supply_v=_milli(body["supply_mv"]),
        samples=body["samples"],
        start_s=body["start_ms"] / 1e3,
        end_s=body["end_ms"] / 1e3,
        control_seen=body["control_seen"],
        counts=body["counts"],
        after_s=None if body["after_ms"] is None else body["after_ms"] / 1e3,
        note=body["note"],
    )


def _milli(value: int | None) -> float:
    return math.nan if value is None else value / 1e3


def _moved(body: Body, off: Off) -> float:
    """How much of the figure, in mA, is the meter's error."""
    line = _line(body, off)
    if line is None:
        return 0.0
    sensitivity = float(line["sensitivity_millionths"]) / 1e6
    return sensitivity * off.error(float(line["value_millionths"]) / 1e6)


def _line(body: Body, off: Off) -> Body | None:
    """The line of a condition's budget that carries the meter."""
    wanted = LINES.get(off.reading)
    lines = (body.get("budget") or {"lines": ()})["lines"]
    found = next((one for one in lines if one["input"] == wanted), None)
    known = ("sensitivity_millionths", "value_millionths")
    return found if found and all(found[name] is not None for name in known) else None


def _blind(body: Body, off: Off) -> bool:
    """A figure of the leakage meter's without a budget, such as that of a cut-off."""
    return off.reading == "leakage" and _line(body, off) is None


def _is(check: Body, off: Off) -> bool:
    named = off.reading not in ("", *LINES) and check["name"].startswith(off.reading)
    return named and check["value_millionths"] is not None


def _check(body: Body, off: Off) -> Check:
    value = None if body["value_millionths"] is None else body["value_millionths"] / 1e6
    plain = Check(body["name"], value, body["unit"], body["allowed"], body["met"], body["words"])
    judged = _judge(body)
    if value is None or judged is None or not _is(body, off) or plain.met is None:
        return plain
    judge, bounds = judged
    right = value - off.error(value)
    return replace(plain, value=right, met=judge(right, bounds))


def _judge(body: Body) -> tuple[Judge, list[float]] | None:
    """How a check's words of what is allowed judge a value; None where they don't."""
    for pattern, judge in ALLOWED:
        found = re.fullmatch(pattern, body["allowed"])
        if found:
            return judge, [float(bound) for bound in found.groups()]
    return None
