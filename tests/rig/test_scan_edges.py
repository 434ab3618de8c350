"""The scan loop's edges: a screen that breaks, a lid that stays locked, a beat that fails, hurry."""

from __future__ import annotations

import threading
import time
from collections.abc import Generator

import pytest
from pytest_mock import MockerFixture

from drivers.errors import Silent
from procedures.scan import Ask, Demand, Outcome, Scan
from rig.guard import SAFE
from rig.guard_seen import Decision
from rig.scan_loop import OFF_LIMIT_S, RunEnded, ScanLoop, Tender
from tests.rig.fake_stations import FakeStation, StepClock
from tests.rig.guard_world import OUTPUTS, live
from tests.rig.test_scan_loop import Armer, energise, make_loop

CONTACTORS = {"contactor_1", "contactor_2"}


@pytest.fixture
def clock() -> StepClock:
    return StepClock()


@pytest.fixture
def station(clock: StepClock) -> FakeStation:
    return FakeStation(clock)


@pytest.fixture
def loop(station: FakeStation, clock: StepClock) -> ScanLoop:
    return make_loop(station, clock)


# ---- when the next scan comes --------------------------------------------------------------------


def test_scans_keep_their_period_and_a_late_one_is_followed_by_one_at_once(
    loop: ScanLoop, clock: StepClock
) -> None:
    loop.next_s = clock.now_s()
    times = []
    for n in range(5):
        scan, _ = loop.once(SAFE)
        times.append(scan.t_s - 100.0)
        clock.spent(0.25 if n == 1 else 0.01)
    assert times == pytest.approx([0.0, 0.1, 0.35, 0.36, 0.45])


def test_in_real_time_the_loop_does_not_poll_and_a_hurry_ends_the_wait(
    loop: ScanLoop, station: FakeStation, clock: StepClock
) -> None:
    loop.poll_inline = False
    loop.next_s = clock.now_s() + 30.0
    loop.hurry.set()
    started_s = time.monotonic()
    scan, decision = loop.once(SAFE)
    assert time.monotonic() - started_s < 10.0
    assert (scan.values, decision.state) == ({}, "unproved")  # nobody has polled
    assert not loop.hurry.is_set()
    assert not station.readings


def test_in_real_time_a_scan_waits_for_its_turn(loop: ScanLoop, clock: StepClock) -> None:
    """The clock stands still here, so only the hurry that comes later can end the wait."""
    loop.poll_inline, loop.next_s = False, clock.now_s() + 30.0
    late = threading.Timer(0.2, loop.hurry.set)
    late.start()
    started_s = time.monotonic()
    loop.once(SAFE)
    late.join()
    assert 0.15 < time.monotonic() - started_s < 10.0


@pytest.mark.parametrize(("waits", "inline", "slept"), [(1, 1, 1), (1, 0, 0), (0, 1, 0)])
def test_simulated_time_goes_by_the_wall_while_a_person_is_waited_for(
    loop: ScanLoop, mocker: MockerFixture, waits: int, inline: int, slept: int
) -> None:
    sleep = mocker.patch("rig.scan_loop.time.sleep")
    mocker.patch.object(loop.tender, "tend", return_value=bool(waits))
    loop.poll_inline = bool(inline)
    loop.once(SAFE)
    assert sleep.call_count == slept
    if slept:
        sleep.assert_called_with(loop.scan_s)


# ---- what must not keep the bench from being proved off ------------------------------------------


def broken(_scan: Scan, _demand: Demand, _decision: Decision) -> None:
    raise BrokenPipeError("the screen has gone")


def test_a_broken_screen_ends_the_run_but_not_the_proof_of_off(
    loop: ScanLoop, station: FakeStation
) -> None:
    def breaks(scan: Scan, demand: Demand, decision: Decision) -> None:
        if decision.state == "live" or loop.leaving:
            broken(scan, demand, decision)

    loop.watch = (breaks,)
    with pytest.raises(BrokenPipeError):
        loop.prove(energise(50))
    assert not station.on
    assert loop.last is not None
    assert loop.last.state == "off"
    assert "program error" in loop.guard.memory.ended


def test_a_lid_that_stays_locked_is_not_waited_for_for_ever(
    loop: ScanLoop, station: FakeStation, clock: StepClock
) -> None:
    station.world.force["lid_locked"] = True
    started_s = clock.now_s()
    decision = loop.switch_off()
    assert (decision.state, decision.lockout) == ("off", "")
    assert OFF_LIMIT_S < clock.now_s() - started_s < OFF_LIMIT_S + 1.0


def test_switching_off_ends_at_once_when_locked_out(
    loop: ScanLoop, station: FakeStation, clock: StepClock
) -> None:
    station.world.force["bay_v"] = 118.0
    decision = loop.switch_off()
    assert decision.lockout == "off could not be proved"
    assert clock.now_s() - 100.0 < 10.0


def test_a_tender_that_has_gone_ends_the_run_as_a_person_would(
    loop: ScanLoop, station: FakeStation
) -> None:
    def leaves() -> Generator[Demand, Scan, Outcome]:
        while (yield live()).feed != "limited":
            pass
        loop.tender.gone = "nobody is there any more"
        while True:
            yield live()

    with pytest.raises(RunEnded, match="nobody is there") as ended:
        loop.prove(leaves())
    assert ended.value.person
    assert not station.on


def test_a_tender_answers_for_whoever_is_there_and_must_say_how() -> None:
    assert Tender().answers_as() == ""
    with pytest.raises(NotImplementedError):
        Tender().tend(None, Decision(frozenset(), True, "off", None, None), {})


# ---- lines ---------------------------------------------------------------------------------------


def test_a_beat_that_fails_is_told_and_the_other_lines_are_beaten(
    loop: ScanLoop, clock: StepClock, mocker: MockerFixture
) -> None:
    second = FakeStation(clock, name="second")
    loop.stations = {**loop.stations, "second": second}
    fault = Silent("all", "no reply to a heartbeat")
    mocker.patch.object(loop.stations["all"], "beat", side_effect=fault)
    loop.once(SAFE)
    assert loop.fault is fault
    assert second.beats == 1


def test_a_failed_write_counts_as_a_dirty_line_until_one_succeeds(
    loop: ScanLoop, station: FakeStation
) -> None:
    loop.once(SAFE)
    station.fail_writes, loop.commanded = 3, None
    for _ in range(3):
        loop.once(SAFE)
    assert loop.write_failed
    assert loop.dirty_from_s == pytest.approx(100.1)  # from the first scan that knows
    assert str(loop.fault) == "all: no reply to a write"
    loop.once(SAFE)
    loop.once(SAFE)
    assert (loop.write_failed, loop.dirty_from_s, loop.fault) == (False, None, None)


def test_each_line_gets_its_own_outputs_and_what_goes_off_goes_first(
    loop: ScanLoop, station: FakeStation, clock: StepClock
) -> None:
    second = FakeStation(clock, name="second")
    loop.stations = {**loop.stations, "second": second}
    theirs = {"bay_1", "lid_lock"}
    loop.output_station = {n: "second" if n in theirs else "all" for n in OUTPUTS}
    for _ in range(6):
        loop.once(Demand("route", feed="limited"))
    written = {name for states in second.writes for name in states}
    assert written == theirs
    assert not {name for states in station.writes for name in states} & theirs


def test_nothing_is_written_twice_and_nothing_when_nothing_changes(
    loop: ScanLoop, station: FakeStation
) -> None:
    loop.switch_off()
    before = len(station.writes)
    for _ in range(3):
        loop.once(SAFE)
    assert len(station.writes) == before


# ---- prompts -------------------------------------------------------------------------------------


def test_a_prompt_has_its_time_from_when_it_is_put_and_an_old_answer_is_forgotten(
    loop: ScanLoop,
) -> None:
    loop.answers["lamp"] = "yes"
    first = Ask("lamp", "Does it glow?", deadline_s=1.0)
    for ask, scans in ((first, 10), (None, 3), (first, 10)):
        for _ in range(scans):
            _, decision = loop.once(Demand("ask", ask=ask))
            assert not decision.ended
    assert "lamp" not in loop.answers
    loop.once(Demand("ask", ask=first))
    _, decision = loop.once(Demand("ask", ask=first))
    assert decision.ended == "prompt not answered in time: Does it glow?"


def test_an_answer_stays_while_its_prompt_stands(loop: ScanLoop) -> None:
    ask = Ask("lamp", "Does it glow?")
    loop.once(Demand("ask", ask=ask))
    loop.answers["lamp"] = "yes"
    scan, _ = loop.once(Demand("ask", ask=ask))
    assert scan.answers == {"lamp": "yes"}


def test_the_outcome_is_the_procedures_own(loop: ScanLoop, station: FakeStation) -> None:
    outcome = loop.prove(energise(1))
    assert isinstance(outcome, Outcome)
    assert isinstance(loop.tender, Armer)
    assert not station.on & CONTACTORS
