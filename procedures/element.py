"""What the feeds of an element say about its leak: place, interval, predictions, as facts.

From conditions to ``place.py``, and from there to words in the record.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from procedures.budget import Line
from procedures.conditions import NO_ACCURACY
from procedures.place import (
    NEUTRAL_MOST_V,
    Foretold,
    Ways,
    cannot_tell,
    drift_beyond,
    foretell_both,
    foretell_leg_to_leg,
    locate,
    neutral_from_sum,
    words_of,
)
from procedures.scan import (
    LEAKAGE_RESISTIVE_MA,
    SUPPLY_2_V,
    SUPPLY_V,
    Accuracy,
    Condition,
)
from procedures.steps import Run
from procedures.uncertainty import NOISE

LEAST_MA = 0.1  # both ways together: less has no place worth the name (P)


@dataclass(frozen=True, slots=True)
class Names:
    """The conditions that an element's place is taken from, by name; line-neutral before and after."""

    line_neutral: str
    again: str
    neutral_line: str
    both: str


def note_place(run: Run, names: Names) -> None:
    """Place, interval, what it can't tell apart and the both-ends figure's agreement, as facts."""
    ways = ways_of(run, names)
    if ways is None or float(ways.line_neutral) + float(ways.neutral_line) <= LEAST_MA:
        return
    meter = _accuracy(run, LEAKAGE_RESISTIVE_MA)
    trusted = ways if _is_neutrals(ways) else replace(ways, both=None)
    found = locate(trusted, meter)
    run.facts["place"] = round(float(found.x), 3)
    run.facts["place_low"] = round(float(found.low), 3)
    run.facts["place_high"] = round(float(found.high), 3)
    run.facts["place, not told apart"] = cannot_tell(float(found.low), float(found.high))
    if found.from_both:
        run.facts["neutral to earth_v"] = round(float(found.neutral_v), 2)
    _tell(run, [foretell_both(ways, meter)])


def note_leg_to_leg(run: Run, names: Names, measured: Condition | None) -> None:
    """Whether a run leg to leg leaks what the two ways round predict, as a fact.

    The legs' volts are those of the newest scan; without both there is no prediction.
    """
    ways = ways_of(run, names)
    legs = tuple(run.scan.values.get(name, math.nan) for name in (SUPPLY_V, SUPPLY_2_V))
    if (
        ways is None
        or measured is None
        or measured.basis != "measured"
        or not all(map(_volts, legs))
    ):
        return
    meter, supply = _accuracy(run, LEAKAGE_RESISTIVE_MA), _accuracy(run, SUPPLY_V)
    seen = (measured.resistive_ma, measured.u_ma)
    _tell(run, [foretell_leg_to_leg(ways, meter, (legs[0], legs[1]), supply, seen)])


def ways_of(run: Run, names: Names) -> Ways | None:
    """The ways round as measured; None where one of them is missing or was cut off."""
    found = [run.condition(name) for name in (names.line_neutral, names.again, names.neutral_line)]
    known = [one for one in found if one is not None and one.basis == "measured"]
    if len(known) < 3:
        return None
    one, again, two = known
    both = run.condition(names.both)
    whole = both if both is not None and both.basis == "measured" else None
    noises = [_noise(c) for c in (*known, whole)]
    apart = math.hypot(noises[0][0], noises[1][0])
    return Ways(
        line_neutral=(one.resistive_ma + again.resistive_ma) / 2.0,
        neutral_line=two.resistive_ma,
        both=None if whole is None else whole.resistive_ma,
        u=(apart / 2.0, noises[2][0], noises[3][0]),
        dof=min(dof for _, dof in noises),
        nominal_v=run.setup.nominal_v,
        drift=drift_beyond(one.resistive_ma, again.resistive_ma, apart),
    )


def _is_neutrals(ways: Ways) -> bool:
    """Whether what both ways exceed both ends by may be neutral's drop, and no change of the leak."""
    return ways.both is not None and abs(float(neutral_from_sum(ways))) <= NEUTRAL_MOST_V


def _tell(run: Run, found: Sequence[Foretold]) -> None:
    for name, words in words_of(found):
        run.facts[f"predicted, {name}"] = words


def _noise(condition: Condition | None) -> tuple[float, float]:
    """Standard uncertainty of the mean and its degrees of freedom, from the condition's budget."""
    lines: tuple[Line, ...] = (
        () if condition is None or condition.budget is None else (condition.budget.lines)
    )
    noise: Any = next((line for line in lines if line.name == NOISE), None)
    return (0.0, math.inf) if noise is None else (float(noise.u), float(noise.dof))


def _volts(value: float) -> bool:
    return math.isfinite(value) and value > 0.0


def _accuracy(run: Run, quantity: str) -> Accuracy:
    return run.setup.accuracy.get(quantity, NO_ACCURACY)
