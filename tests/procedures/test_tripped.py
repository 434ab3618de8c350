"""A trip of the bench's GFCI decides nothing by itself: what was read, or the insulation, explains it.

UL 943 and the NEC's note, as quoted in secondary texts: a Class A device does not trip below 4 mA (S).
IEC 61008-1, as tabulated there: an RCD not below half of its rated residual current (S). So 120 V behind
more than 30 kohm can't trip the one, 230 V behind more than 15.3 kohm not a 30 mA RCD (D).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from drivers.virtual.meters import KNOWN
from drivers.virtual.plant import Plant
from procedures.catalog import family
from procedures.conditions import condition, limited_condition
from procedures.leakage import Live, Stage
from procedures.limits import limits_for
from procedures.scan import Demand, Event, Outcome, Part, Scan, Setup
from procedures.steps import Run
from procedures.tripped import AFTER_TRIP, doubt_trip, must_hold_ma, seen_by_all_ma
from tests.procedures.harness import Follower, drive, setup
from tests.procedures.test_demo_parts import SHELF, part_of

LIGHT, PUMP, HEATER, CONVERTER = "LT12-8001", "CP01-8001", "HT55-8001", "AC60-8001"
BOTH = ("leakage_ma", "second_leakage_ma")
Values = dict[str, float]


def tripped(
    serial: str,
    stage: str,
    lie: Callable[[Values], Values] = dict,
    after: Callable[[Values], Values] = dict,
    scans: int = 30,
) -> tuple[Outcome, Follower]:
    """Prove a part whose bench's GFCI is tripped by hand so many scans after a stage has begun."""
    plant, bench, part = Plant({serial: SHELF[serial]}, seed=1), setup(), part_of(serial)
    plant.mount(1, serial)
    chosen = family(part.family)
    follower = Follower(plant, chosen.declaration(part, bench))
    left = [scans]

    def tamper(values: Values) -> Values:
        if follower.stages[-1:] != [stage]:
            return after(values) if left[0] <= 0 else values
        left[0] -= plant.live
        if left[0] == 0:
            plant.trip()
        return lie(values)

    follower.tamper = tamper
    return drive(chosen.start(part, bench, limits_for(part.family, part)), follower), follower


@pytest.mark.parametrize(
    ("serial", "stage"),
    [
        (LIGHT, "limited step"),
        (LIGHT, "rated run, warm"),
        (LIGHT, "the other way round, warm"),
        (PUMP, "rated run, warm"),
        (CONVERTER, "rated run, warm"),
        (HEATER, "both ends hot, cold wet"),
    ],
)
@pytest.mark.parametrize("scans", [3, 60])
def test_a_trip_while_next_to_nothing_is_read_is_no_verdict(
    serial: str, stage: str, scans: int
) -> None:
    outcome, follower = tripped(serial, stage, scans=scans)
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert f"{stage}: the GFCI tripped while no more than 0." in outcome.verdict.reason
    assert "above 3.50" not in outcome.verdict.reason
    shown = next(c for c in outcome.conditions if c.name == stage)
    assert (shown.basis, shown.note) == ("measured", "the GFCI tripped")
    assert shown.y_ma < 1.0
    assert follower.stages.count(stage) == 1
    after = next(check for check in outcome.checks if check.name == AFTER_TRIP)
    assert after.met is None


def test_one_sensor_that_lies_high_does_not_explain_a_trip() -> None:
    lie = lambda values: {**values, "second_leakage_ma": 3.4}  # noqa: E731
    outcome, _ = tripped(LIGHT, "rated run, warm", lie=lie)
    assert outcome.verdict.verdict == "none"


def test_readings_that_fail_the_part_by_themselves_explain_it_and_are_its_lower_bound() -> None:
    lie = lambda values: {**values, **dict.fromkeys(BOTH, 2.4)}  # noqa: E731
    outcome, _ = tripped(LIGHT, "rated run, warm", lie=lie)
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("fail", "above the cut-off")
    assert outcome.verdict.reason.startswith("rated run, warm: above 2.40 mA, off after")
    assert outcome.verdict.reason.endswith("(the GFCI tripped)")
    assert not any(check.name == AFTER_TRIP for check in outcome.checks)


@pytest.mark.parametrize(("mohm", "explains"), [(0.0006, True), (0.0301, False)])
def test_a_breakdown_that_the_insulation_meter_finds_explains_it(
    mohm: float, explains: bool
) -> None:
    """From one moment to the next; no meter was quick enough. 120 V and 4 mA: 30 kohm."""

    def broken(values: Values) -> Values:
        shown = values.get("insulation_mohm")
        if shown is None or shown == pytest.approx(KNOWN["insulation_mohm"], rel=0.1):
            return values  # the part has broken down, not the known resistor beside it
        return {**values, "insulation_mohm": mohm + 1e-9 * shown}

    outcome, _ = tripped(HEATER, "both ends hot, cold wet", after=broken)
    after = next(check for check in outcome.checks if check.name == AFTER_TRIP)
    assert after.value == pytest.approx(mohm, abs=1e-5)
    assert after.met is None
    if not explains:
        assert (outcome.verdict.verdict, after.words) == ("none", "does not explain the trip")
        return
    assert after.words == "explains the trip"
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("fail", "above the cut-off")
    assert outcome.verdict.worst is not None
    assert outcome.verdict.worst.y_ma == 3.5
    assert outcome.verdict.reason.endswith(
        "(the GFCI tripped, the insulation has broken down)",
    )


def test_the_reason_begins_with_the_trip_and_not_with_what_is_missing_because_of_it() -> None:
    outcome, _ = tripped(LIGHT, "limited step")
    assert outcome.verdict.reason.startswith("not proved: limited step: the GFCI tripped while")


@pytest.mark.parametrize("scans", [1, 5, 40, 80])
def test_the_benchs_own_trip_is_no_finding_about_a_tested_device(scans: int) -> None:
    """Before its output is seen live, and on the ramp."""
    outcome, _ = tripped("GK50-0450", "trip current, ramp", scans=scans)
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert "the bench itself switched off" in outcome.verdict.reason
    trip = next(check for check in outcome.checks if check.name == "trip current")
    assert trip.met is None


# ---- on both sides of each edge --------------------------------------------------------------------


def run_of(**changes: object) -> Run:
    part = Part("P-1", "light")
    return Run(part, replace(setup(), **changes), limits_for("light", part))  # type: ignore[arg-type]


@pytest.mark.parametrize(("seen_ma", "doubted"), [(1.75, True), (1.751, False), (0.0, True)])
def test_the_edge_is_the_fail_limit_and_the_control_on_top(seen_ma: float, doubted: bool) -> None:
    """1.5 mA (P) and the 0.25 mA that may be switched on at the time (P)."""
    run = run_of()
    doubt_trip(run, "a stage", seen_ma)
    assert ("a stage" in run.doubts, run.unexplained) == (doubted, "a stage" if doubted else "")


def scan_of(over: frozenset[str] = frozenset(), **values: float) -> Scan:
    return Scan(1.0, values, dict.fromkeys(values, 1.0), {}, over=over)


def one_sensor(bench: Setup) -> Setup:
    return replace(bench, quantities=bench.quantities - {"second_leakage_ma"})


SEEN: list[tuple[Setup, Scan, float]] = [
    (setup(), scan_of(leakage_ma=2.0, second_leakage_ma=0.1), 0.1),
    (setup(), scan_of(leakage_ma=2.0), 0.0),  # a missing reading has shown nothing
    (setup(), scan_of(frozenset({"second_leakage_ma"}), leakage_ma=2.0), 2.0),
    (setup(), scan_of(frozenset(BOTH)), math.inf),
    (one_sensor(setup()), scan_of(leakage_ma=2.0), 2.0),
    (replace(setup(), quantities=frozenset({"supply_v"})), scan_of(leakage_ma=2.0), 0.0),
]


@pytest.mark.parametrize(("bench", "scan", "ma"), SEEN)
def test_what_every_sensor_has_read(bench: Setup, scan: Scan, ma: float) -> None:
    assert seen_by_all_ma(bench, scan) == ma


def test_what_a_device_must_hold() -> None:
    assert must_hold_ma(setup()) == 4.0
    assert must_hold_ma(replace(setup(), protection="rcd", rated_residual_ma=30.0)) == 15.0


def stopped(kind: str, seen_ma: float, unexplained: bool) -> Live:
    run = run_of()
    stage = Stage("rated run, warm", "line_neutral", 60.0)
    event = Event(kind, seen_ma, 3.0, 9.0)  # type: ignore[arg-type]
    run.unexplained = stage.name if unexplained else ""
    return Live(run, stage, Demand("rated run, warm"), event=event, seen_ma=seen_ma)


@pytest.mark.parametrize("judge", [condition, limited_condition])
def test_what_is_recorded_of_a_stage_that_was_cut_short(judge: object) -> None:
    """A cut-off is a bound, a trip has what was read as its bound, an unexplained trip a measurement."""
    cases = [
        (stopped("cut_off", 9.0, False), ("above", 3.5, 0.0)),
        (stopped("gfci_trip", 2.5, False), ("above", 2.5, 0.0)),
        (stopped("gfci_trip", math.inf, False), ("above", 3.5, 0.0)),
    ]
    for live, shown in cases:
        found = judge(live)  # type: ignore[operator]
        assert (found.basis, found.y_ma, found.u_ma) == shown
    found = judge(stopped("gfci_trip", 0.2, True))  # type: ignore[operator]
    assert (found.basis, found.y_ma) == ("measured", 0.2)
    half_width = run_of().setup.accuracy["leakage_ma"].half_width(0.2)
    assert found.u_ma == pytest.approx(2.0 * half_width / math.sqrt(3.0))  # GUM 4.3.7, k = 2
