"""What every family shares: beginning, limited step, measured stages, function checks, end.

The order is the trade's rule: look, ground, dead tests, limited step, full feeds, off, ground again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from procedures.conditions import condition, limited_condition, trend
from procedures.dead_tests import ground
from procedures.leakage import Enough, Live, Stage, energise
from procedures.load_meter import at_rest, inrush_check, shows_nothing
from procedures.scan import Check, Condition, Feed
from procedures.series import drying, rising_rejects
from procedures.soak import K, Soak, steady
from procedures.steps import Run, Step, look, switch_off
from procedures.swing import swing
from procedures.trend import trend_of
from procedures.tripped import explain_trip

FEED_WORDS: Mapping[str, str] = {
    "limited": "limited step",
    "line_neutral": "line-neutral",
    "neutral_line": "neutral-line",
    "both_hot": "both ends hot",
    "line_line": "line-line",
}
LIMITED_S = 8.0
TREND_S = 60.0  # a shorter stage has no trend worth the name
FULL_FEEDS: tuple[Feed, ...] = ("line_neutral", "neutral_line", "both_hot", "line_line")


def begin(run: Run) -> Step[bool]:
    """Look and ground; false: go no further."""
    yield from look(run)
    grounded = yield from ground(run)
    return grounded and not run.rejected()


def limited_step(
    run: Run, name: str, counts: bool = True, drying: bool = False
) -> Step[Condition | None]:
    """The limited step: prospective current, positive control, and what may follow from it.

    Both ends tied bound every other feed from above, so one figure, y + U, opens all of them. None
    when nothing could be read; no full feed is opened then. ``drying``: see ``_bound_ma``.
    """
    run.control_seen, run.prospective_ma = True, {}  # until this step says otherwise
    live = yield from energise(run, Stage(name, "limited", LIMITED_S, counts=counts))
    found = limited_condition(live)
    run.control_seen = live.control_seen
    if found is None:
        return None
    run.conditions.append(found)
    _note_swing(run, live)
    if found.basis == "prospective" and name not in run.doubts:
        run.prospective_ma = dict.fromkeys(FULL_FEEDS, _bound_ma(run, found, drying))
    return found


def _bound_ma(run: Run, found: Condition, drying: bool) -> float:
    """Upper bound y + U of what a full feed may drive.

    A run that dries the part (bake-out at quarter power, first run of a wet blower) may begin when
    the gate lies within U above y: the uncertainty there is that of a current calculated through a
    resistor as large as the fault, the cut-off (which is above y + U) stands behind it, and the
    alternative is to leave every damp part undecided. The record keeps y and U as they are.
    """
    bound_ma = found.y_ma + found.u_ma
    if drying and found.y_ma <= run.limit("gate_ma") and bound_ma <= run.limit("cutoff_ma"):
        return min(bound_ma, run.limit("gate_ma"))
    return bound_ma


def may_energise(run: Run) -> bool:
    """Whether full feeds are open and nothing has rejected the part."""
    return not run.rejected() and any(not run.forbids(feed) for feed in FULL_FEEDS)


def measure(run: Run, stage: Stage, enough: Enough | None = None) -> Step[Live]:
    """An energised stage whose condition, function checks and trend go into the record.

    ``enough``: from its minimum on, a soak is at a stable point, or dry. ``soak.py`` says what else ends
    it or makes it go on.
    """
    live, soak = yield from _soaked(run, stage, enough)
    if live.still and (yield from shows_nothing(run, f"{stage.name}, load meter")):
        live, soak = yield from _soaked(run, stage, enough)
        live.still = False  # a meter that has moved in between is alive, only coarse
    found = condition(live)
    if live.refused:
        run.facts[f"not done, {stage.name}"] = live.refused
        return live
    if found is not None:
        run.conditions.append(found)
        _note_swing(run, live)
        _note_trend(run, live, found)
        _note_course(run, live, found, soak)
    if stage.inrush_above_a is not None:
        yield from inrush_check(run, live)
    if stage.question is not None and live.answer:
        met = live.answer == "yes"
        run.checks.append(Check(stage.question.key, None, "", "yes", met, stage.question.words))
    return live


def _soaked(run: Run, stage: Stage, enough: Enough | None) -> Step[tuple[Live, Soak]]:
    """One stage with its looks; a short one has none."""
    soak = Soak(stage, enough)
    looked = stage.seconds >= TREND_S
    live = yield from energise(run, stage, soak.over if looked else None)
    live.look_bound = soak.bound if looked else K
    return live, soak


def _note_swing(run: Run, live: Live) -> None:
    """How far the leakage jumps about: a sign that a likely cause is told by."""
    found = swing(live)
    if found is not None:
        run.swings[live.stage.name] = found


def _note_trend(run: Run, live: Live, found: Condition) -> None:
    """A rise within this one condition that rejects, by the trade's rule; only in a soak.

    A pass needs a stable point: a soak that reaches its longest and still moves proves nothing.
    """
    stage = live.stage
    if stage.seconds < TREND_S or live.event is not None or not stage.counts:
        return
    if stage.longest_s > 0.0 and not steady(live) and found.y_ma <= run.limit("fail_ma"):
        run.doubts[found.name] = "no stable point within the longest soak"
    t_s, y_ma = trend(live)
    longest_s = float(t_s[0]) + max(stage.longest_s, stage.seconds)
    limit_ma = run.limit("pass_ma")
    rejects, _, words = rising_rejects(t_s, y_ma, found.u_ma, limit_ma, longest_s=longest_s)
    if rejects:
        run.rising[found.name] = words


def _note_course(run: Run, live: Live, found: Condition, soak: Soak) -> None:
    """What a soak's leakage did, in words, where it was not just steady; and why it was short."""
    name = live.stage.name
    if soak.cut_short:
        words = (
            f"after {live.end_s - live.on_s:.0f} s: clearly above the fail limit, no longer rising"
        )
        run.facts[f"ended early, {name}"] = words
    if live.stage.seconds < TREND_S or found.trend in ("steady", "don't know"):
        return
    course, fit = trend_of(*trend(live)), drying(*trend(live))
    end = f", towards {fit.asymptote:.2f} mA" if fit.falling and fit.end_s < math.inf else ""
    run.facts[f"course, {name}"] = f"{course.kind}: {course.words}{end}"


def finish(run: Run) -> Step[None]:
    """Off, proved off, ground again: a lead that fell off during the run would show 0 mA."""
    yield from explain_trip(run)
    run.aids = frozenset()
    yield from switch_off(run)
    yield from at_rest(run)
    if run.grounded:
        yield from ground(run, "ground bond, after")
