"""The scan loop: what it writes, when it beats, how it ends. Fakes stand in for the wires."""

from __future__ import annotations

from collections.abc import Generator

import pytest

from drivers.described import BenchSpec, InputSpec, ModbusReading, WatchdogSpec
from procedures.scan import Accuracy, Ask, Demand, Outcome, Scan, Verdict
from rig.guard import Guard
from rig.guard_seen import Decision
from rig.plausible import Plausible
from rig.scan_loop import RunEnded, ScanLoop, Tender
from rig.wiring import Wiring
from tests.rig.fake_stations import UNITS, FakeStation, StepClock
from tests.rig.guard_world import FACTS, HEATER, INPUTS, OUTPUTS, QUANTITIES, live

CONTACTORS = {"contactor_1", "contactor_2"}
DONE = Outcome(Verdict("pass", "test", "ran"))


class Armer(Tender):
    """Presses arm when asked; never answers a prompt."""

    def __init__(self, station: FakeStation) -> None:
        self.station = station

    def tend(self, ask: Ask | None, decision: Decision, answers: dict[str, str | float]) -> bool:
        world = self.station.world
        held = world.pressed and decision.state not in ("live", "testing")
        world.pressed = decision.person_needed == "arm" or held
        return False


def spec() -> BenchSpec:
    quantities = QUANTITIES | {"temperature_c"}
    readings = {
        n: ModbusReading(n, "d", UNITS.get(n, "V"), "input", 0, "int16", "ABCD", 1, 0, 0, -9e9, 9e9)
        for n in quantities
    }
    inputs = {n: InputSpec(n, "d", "discrete", i) for i, n in enumerate(sorted(INPUTS))}
    return BenchSpec({}, {}, {}, inputs, readings, WatchdogSpec("B", "d", 0, 1.0))


def make_loop(station: FakeStation, clock: StepClock) -> ScanLoop:
    accuracy = {n: Accuracy(1.0, 0.02) for n in QUANTITIES}
    ages = dict.fromkeys(QUANTITIES | {"temperature_c"}, 0.6)
    return ScanLoop(
        stations={"all": station},
        wiring=Wiring(spec(), ages, 0.25),
        plausible=Plausible(accuracy, heats=True),
        clock=clock,
        guard=Guard(FACTS, HEATER),
        scan_s=0.1,
        deadline_s=0.45,
        output_station=dict.fromkeys(OUTPUTS, "all"),
        tender=Armer(station),
    )


@pytest.fixture
def clock() -> StepClock:
    return StepClock()


@pytest.fixture
def station(clock: StepClock) -> FakeStation:
    return FakeStation(clock)


@pytest.fixture
def loop(station: FakeStation, clock: StepClock) -> ScanLoop:
    return make_loop(station, clock)


def energise(scans: int) -> Generator[Demand, Scan, Outcome]:
    """A procedure that keeps the limited feed on for so many scans after it came on."""
    count = 0
    while count < scans:
        scan = yield live()
        count += scan.feed == "limited"
    return DONE


def test_a_procedure_runs_to_its_outcome_and_leaves_all_off(
    loop: ScanLoop, station: FakeStation
) -> None:
    assert loop.prove(energise(5)) is DONE
    assert not station.on
    assert loop.last is not None
    assert loop.last.state == "off"
    assert any({n for n, on in w.items() if on} >= CONTACTORS for w in station.writes)


def test_what_goes_off_is_written_before_what_goes_on(loop: ScanLoop, station: FakeStation) -> None:
    loop.prove(energise(2))
    for states in station.writes:
        assert len(set(states.values())) == 1


def upset(after: int, station: FakeStation, **changes: object) -> Generator[Demand, Scan, Outcome]:
    """Energise, then change the station in so many scans; never ends by itself."""
    count = 0
    while True:
        scan = yield live()
        count += scan.feed == "limited"
        if count == after:
            for name, value in changes.items():
                setattr(station, name, value)


def test_a_silent_line_ends_the_run_with_the_lines_words(
    loop: ScanLoop, station: FakeStation
) -> None:
    with pytest.raises(RunEnded, match="no reply"):
        loop.prove(upset(3, station, silent=True))
    assert not station.on & CONTACTORS


def test_one_bad_scan_does_not_end_a_run(loop: ScanLoop, station: FakeStation) -> None:
    def one_bad() -> Generator[Demand, Scan, Outcome]:
        for n in range(80):
            station.silent = n == 50
            yield live()
        return DONE

    assert loop.prove(one_bad()) is DONE


def test_no_heartbeat_while_a_line_is_dirty(loop: ScanLoop, station: FakeStation) -> None:
    loop.once(Demand("off"))
    before = station.beats
    station.silent = True
    loop.once(Demand("off"))
    assert station.beats == before
    station.silent = False
    loop.once(Demand("off"))
    assert station.beats == before + 1


def test_a_failed_write_is_not_a_written_output_and_is_tried_again(
    loop: ScanLoop, station: FakeStation
) -> None:
    loop.once(Demand("off"))
    beats, station.fail_writes = station.beats, 1
    loop.commanded = None
    loop.once(Demand("off"))
    assert station.beats == beats
    loop.once(Demand("off"))
    assert station.writes[-1].keys() == OUTPUTS - {"lid_lock"} or "lid_lock" in station.writes[-1]
    assert loop.write_failed is False


def test_writes_that_keep_failing_end_the_run(loop: ScanLoop, station: FakeStation) -> None:
    def failing() -> Generator[Demand, Scan, Outcome]:
        while (yield live()).feed != "limited":
            pass
        station.fail_writes = 20
        loop.commanded = None
        while True:
            yield live()

    with pytest.raises(RunEnded, match="no reply to a write"):
        loop.prove(failing())


def test_stale_readings_are_no_numbers_and_end_the_run(
    loop: ScanLoop, station: FakeStation
) -> None:
    with pytest.raises(RunEnded, match="missing or stale"):
        loop.prove(upset(3, station, age_s=1.0))


def test_a_person_who_stops_ends_it_in_the_same_scan(loop: ScanLoop, station: FakeStation) -> None:
    def stopped() -> Generator[Demand, Scan, Outcome]:
        while (yield live()).feed != "limited":
            pass
        loop.stop.words = "stopped by the operator (Ctrl-C)"
        yield live()
        raise AssertionError("the run went on")

    with pytest.raises(RunEnded, match="Ctrl-C") as ended:
        loop.prove(stopped())
    assert ended.value.person
    assert not station.on


def test_an_exception_in_a_procedure_switches_off_and_is_not_swallowed(
    loop: ScanLoop, station: FakeStation
) -> None:
    def broken() -> Generator[Demand, Scan, Outcome]:
        while (yield live()).feed != "limited":
            pass
        raise ZeroDivisionError("a fault in the program")

    with pytest.raises(ZeroDivisionError):
        loop.prove(broken())
    assert not station.on
    assert "program error" in loop.guard.memory.ended


def test_a_prompt_that_nobody_answers_switches_off(loop: ScanLoop, station: FakeStation) -> None:
    question = Ask("lamp_on", "Does the lamp glow?", deadline_s=5.0)

    def asking() -> Generator[Demand, Scan, Outcome]:
        while True:
            yield live(ask=question)

    with pytest.raises(RunEnded, match="not answered in time"):
        loop.prove(asking())
    assert not station.on


def test_a_scan_that_is_late_gives_no_heartbeat(
    loop: ScanLoop, station: FakeStation, clock: StepClock
) -> None:
    loop.once(Demand("off"))
    before, write = station.beats, station.write
    station.write = lambda states: (clock.spent(0.5), write(states))[1]  # type: ignore[method-assign]
    loop.commanded = None
    loop.once(Demand("off"))
    assert station.beats == before


def test_sensors_that_disagree_for_a_second_end_the_run(
    loop: ScanLoop, station: FakeStation
) -> None:
    station.world.force["second_leakage_ma"] = 0.0

    def going() -> Generator[Demand, Scan, Outcome]:
        n = 0
        while True:
            scan = yield live()
            n += scan.feed == "limited"
            station.world.force["second_leakage_ma"] = 0.4 if n > 3 else scan.values["leakage_ma"]

    with pytest.raises(RunEnded, match="disagree"):
        loop.prove(going())


def jumping(station: FakeStation, **ma: float) -> Generator[Demand, Scan, Outcome]:
    """Live until the guard says that it was a result; from the fourth scan on the sensors jump."""
    n, scan = 0, (yield live())
    while scan.event is None:
        n += scan.feed == "limited"
        if n > 3:
            station.world.force |= ma
        scan = yield live()
    return Outcome(Verdict("fail", scan.event.kind, ""))


def test_one_sensor_that_jumps_alone_is_no_result(loop: ScanLoop, station: FakeStation) -> None:
    with pytest.raises(RunEnded, match="only one leakage sensor asked for the cut-off"):
        loop.prove(jumping(station, leakage_ma=10.0))
    assert not station.on


def test_both_sensors_that_jump_are_a_result(loop: ScanLoop, station: FakeStation) -> None:
    outcome = loop.prove(jumping(station, leakage_ma=10.0, second_leakage_ma=9.9))
    assert outcome.verdict.rule == "cut_off"
    assert not station.on
