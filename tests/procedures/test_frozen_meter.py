"""A leakage meter that keeps its digits while the world changes never carries a pass.

The positive control is the change that is known: it is switched on in each stage, and again at the end of
a soak. Digits alone prove nothing: an honest meter may show the same ones for minutes (common practice).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from drivers.virtual.plant import Plant
from procedures.catalog import family
from procedures.limits import limits_for
from procedures.scan import Outcome, Setup
from tests.procedures.harness import Follower, drive, proved, setup
from tests.procedures.test_demo_parts import SHELF, part_of

LIGHT, CONVERTER, PUMP = "LT12-8001", "AC60-8001", "CP01-8001"
FIRST = ("leakage_ma", "leakage_resistive_ma", "leakage_capacitive_ma", "leakage_dc_ma")
SECOND = tuple(f"second_{name}" for name in FIRST[:3])
Values = dict[str, float]


def lone(bench: Setup) -> Setup:
    """The smallest bench: one leakage sensor."""
    return replace(bench, quantities=bench.quantities - set(SECOND))


def frozen(
    serial: str, stage: str, after_s: float, names: tuple[str, ...], bench: Setup
) -> Outcome:
    """Prove a part whose meters freeze so many seconds after they are live in a stage."""
    plant, part = Plant({serial: SHELF[serial]}, seed=1), part_of(serial)
    bench = replace(bench, fixture_ma=proved(plant, bench)[0].fixture_ma)
    plant.mount(1, serial)
    chosen = family(part.family)
    follower = Follower(plant, chosen.declaration(part, bench))
    follower.tamper = freezing(follower, stage, after_s, names)
    return drive(chosen.start(part, bench, limits_for(part.family, part)), follower)


def freezing(
    follower: Follower, stage: str, after_s: float, names: tuple[str, ...]
) -> Callable[[Values], Values]:
    """From then on the same digits, and fresh ones each time: the last place alone is not shown."""
    held: Values = {}
    live_s, shown = [0.0], [0]

    def tamper(values: Values) -> Values:
        if follower.stages[-1:] == [stage] and follower.plant.live:
            live_s[0] += 0.1
        if live_s[0] < after_s:
            return values
        held.update({name: values[name] for name in names if name not in held})
        shown[0] += 1
        return {**values, **{name: digits + 1e-12 * shown[0] for name, digits in held.items()}}

    return tamper


@pytest.mark.parametrize(
    ("serial", "stage", "after_s"),
    [
        (LIGHT, "limited step", 0.5),
        (LIGHT, "rated run, warm", 0.5),
        (LIGHT, "rated run, warm", 20.0),
        (LIGHT, "rated run, warm", 100.0),
        (CONVERTER, "rated run, warm", 100.0),
        (PUMP, "rated run, warm", 100.0),
        (LIGHT, "the other way round, warm", 0.5),
    ],
)
@pytest.mark.parametrize("names", [FIRST, SECOND, FIRST + SECOND], ids=["first", "second", "both"])
def test_frozen_before_the_last_control_of_a_stage(
    serial: str, stage: str, after_s: float, names: tuple[str, ...]
) -> None:
    outcome = frozen(serial, stage, after_s, names, setup())
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert f"the positive control did not show in {stage}" in outcome.verdict.reason


@pytest.mark.parametrize("after_s", [0.5, 12.0, 25.0])
def test_a_lone_sensor_shows_its_control_at_the_end_of_short_stages_too(after_s: float) -> None:
    stage = "the other way round, warm"
    outcome = frozen(LIGHT, stage, after_s, FIRST, lone(setup()))
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert f"the positive control did not show in {stage}" in outcome.verdict.reason


@pytest.mark.parametrize("bench", [setup(), lone(setup())], ids=["two sensors", "one sensor"])
def test_meters_that_do_not_freeze_pass_the_same_part(bench: Setup) -> None:
    assert frozen(LIGHT, "never", 1e9, FIRST, bench).verdict.verdict == "pass"
