"""A bench that nobody here wrote, described only by a bench file, is driven correctly, in real time.

Wall-clock bounds are wide: a busy machine has been seen to stall for 0.4 s.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from drivers.roles import Quality
from drivers.virtual.process import Options, launch
from procedures.scan import Ask, Declaration, Demand, Findings, Procedure, Scan
from rig.bench import OpenBench, opened, polled
from rig.bench_file import Bench, load_bench
from rig.demo import load_parts, unmet
from rig.guard_seen import Decision
from rig.hands import VirtualHands
from rig.main import run as command
from rig.proof import made_with
from rig.proving import Place, at_bench, find_part, opening_facts, prepare, prove_part
from rig.recording import SHOP, part_to_body
from rig.run import Attempt, Result, attempt
from rig.scan_loop import Tender
from tests.rig.foreign_bench import ForeignBench, foreign_bench
from tests.rig.plant_loop import PlantHands

BAY = 2
TIMEOUT_S = 2.0  # the foreign bench file's watchdog
SLACK_S = 1.0
# quantity: (what the meters show, the number in the bench file's unit, that unit). Worked by hand.
SHOWN: dict[str, tuple[float, float, str]] = {
    "leakage_ma": (1.25, 0.00125, "A"),
    "leakage_resistive_ma": (-1.0, -0.001, "A"),
    "leakage_capacitive_ma": (0.75, 0.00075, "A"),
    "leakage_dc_ma": (0.0125, 12.5e-6, "A"),
    "supply_v": (118.5, 118_500.0, "mV"),
    "supply_2_v": (121.25, 121.25, "V"),
    "bay_v": (239.75, 239_750.0, "mV"),
    "bay_dc_v": (-33.5, -33_500.0, "mV"),
    "load_a": (12.5, 12_500.0, "mA"),
    "power_w": (2750.25, 2.75025, "kW"),
    "frequency_hz": (59.93, 59.93, "Hz"),
    "second_leakage_ma": (1.234567, 0.001234567, "A"),
    "second_leakage_resistive_ma": (-1.125, -1125.0, "uA"),
    "second_leakage_capacitive_ma": (-0.5, -0.0005, "A"),
    "injection_ma": (6.5, 6500.0, "uA"),
    "temperature_c": (36.0, 96.8, "°F"),  # 36 * 9 / 5 + 32
    "conductivity_ms_cm": (2.75, 2750.0, "uS/cm"),
    "resistance_ohm": (10.4, 0.0104, "kohm"),
    "insulation_mohm": (450.0, 450_000.0, "kohm"),
    "bond_ohm": (0.062, 0.062, "ohm"),
}


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MILLIPROOF_STATE", str(tmp_path / "state"))


@pytest.fixture(params=["C", "F"])
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[ForeignBench]:
    with foreign_bench(request.param, tmp_path) as one:
        yield one


@pytest.fixture
def holding(tmp_path: Path) -> Iterator[ForeignBench]:
    """The variant whose board holds its outputs for so many ms (kind C)."""
    with foreign_bench("C", tmp_path) as one:
        yield one


@contextmanager
def reading(bench: ForeignBench) -> Iterator[OpenBench]:
    """The bench, opened as the rig opens it, its lines polled by their threads."""
    with opened(load_bench(bench.path)) as ours, polled(ours):
        yield ours


def soon(holds: Any, seconds: float = 3.0) -> bool:
    """Whether it becomes true before so many seconds are over."""
    limit_s = time.monotonic() + seconds
    while not holds():
        if time.monotonic() > limit_s:
            return False
        time.sleep(0.02)
    return True


@dataclass
class Hands(Tender):
    """A technician beside the foreign bench: it has no channel for any."""

    bench: ForeignBench
    hands: PlantHands = field(init=False)

    def __post_init__(self) -> None:
        self.hands = PlantHands(self.bench.plant, BAY)

    def tend(self, ask: Ask | None, decision: Decision, answers: dict[str, str | float]) -> bool:
        with self.bench.lock:
            return self.hands.tend(ask, decision, answers)


# ---- reading ----------------------------------------------------------------------------------------


def test_check_reads_every_quantity_in_the_files_own_units(
    holding: ForeignBench, capsys: pytest.CaptureFixture[str]
) -> None:
    holding.pinned = {name: shown for name, (shown, _, _) in SHOWN.items()}
    time.sleep(0.6)  # the printing meter prints every 0.5 s
    assert command(["bench", "check", "--bench", str(holding.path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["virtual"] is True
    assert told["problems"] == []
    assert told["identities"] == {
        "contacts": "NOBODY CONTACTS 3.14",
        "residual": "NOBODY,RESIDUAL CURRENT,0815,2.0",
    }
    assert told["readings"].keys() == SHOWN.keys()
    for name, (_, value, unit) in SHOWN.items():
        seen = told["readings"][name]
        assert (seen["unit"], seen["quality"]) == (unit, "good"), name
        assert seen["value"] == pytest.approx(value, rel=1e-6), name


def test_what_the_procedures_see_is_what_the_plant_has(holding: ForeignBench) -> None:
    holding.pinned = {name: shown for name, (shown, _, _) in SHOWN.items()}
    with reading(holding) as ours:
        wiring, lines = ours.wiring(), ours.stations.values()
        names = SHOWN.keys()
        assert soon(lambda: wiring.values(lines, ours.clock.now_s())[0].keys() == names)
        time.sleep(1.3)  # the slowest group is read once a second
        values = wiring.values(lines, ours.clock.now_s())[0]
        assert values == pytest.approx({n: shown for n, (shown, _, _) in SHOWN.items()}, rel=1e-6)
        assert not [str(line.fault) for line in lines if line.fault]


def test_each_input_is_told_from_all_others(holding: ForeignBench) -> None:
    with reading(holding) as ours:
        wiring, lines = ours.wiring(), ours.stations.values()
        inputs = sorted(holding.plant.inputs())
        assert set(inputs) == ours.bench.capabilities.inputs
        for chosen in inputs:
            wanted = {name: name == chosen for name in inputs}
            holding.pinned_inputs = wanted

            def as_wanted(wanted: dict[str, bool] = wanted) -> bool:
                return wiring.inputs(lines, ours.clock.now_s()) == wanted

            assert soon(as_wanted), chosen


def test_a_status_bit_takes_its_readings_out_and_nothing_else(holding: ForeignBench) -> None:
    second = {n for n in SHOWN if n.startswith("second_leakage")}
    holding.pinned = {name: shown for name, (shown, _, _) in SHOWN.items()}
    with reading(holding) as ours:
        wiring, lines = ours.wiring(), ours.stations.values()

        def missing() -> set[str]:
            return SHOWN.keys() - wiring.values(lines, ours.clock.now_s())[0].keys()

        assert soon(lambda: not missing())
        for load, leak, gone in (
            (0x0010, 0x0000, {"load_a"}),
            (0x0800, 0x0002, {"load_a"} | second),
            (0x2000, 0x8000, {"load_a"} | second),
            (0xD7EF, 0x7FFC, set()),  # bits that mean something else
        ):
            holding.load_status, holding.second_status = load, leak

            def as_wanted(gone: set[str] = gone) -> bool:
                return missing() == gone

            assert soon(as_wanted), (load, leak)
        holding.second_status = 0x8000
        station = ours.stations["gateway"]
        assert soon(lambda: station.readings["second_leakage_ma"].quality is Quality.OVER_RANGE)


# ---- switching ---------------------------------------------------------------------------------------


def test_each_output_switches_what_its_name_says(bench: ForeignBench) -> None:
    bench.settled()
    resting = {name for name, on in bench.plant.outputs.items() if on}
    # what is on while its coil is off, as the board comes up
    assert resting == {"lid_lock", "aid_humid", "reference_capacitive", "neutral_downstream"}
    with opened(load_bench(bench.path)) as ours:
        bench.settled()
        assert not any(bench.plant.outputs.values())  # opening commands everything off
        with bench.lock:
            bench.plant.lid(True)
        where = ours.output_station()
        assert where.keys() == bench.plant.outputs.keys()
        for name, line in where.items():
            ours.stations["bus"].beat()
            ours.stations[line].write({name: True})
            bench.settled()
            assert [n for n, on in bench.plant.outputs.items() if on] == [name]
            assert ours.stations[line].read_back()[name]
            ours.stations[line].write({name: False})
        bench.settled()
        assert not any(bench.plant.outputs.values())
    assert bench.plant.account.hazards == 0


# ---- the watchdog --------------------------------------------------------------------------------------


def limited(scans: int) -> Procedure:
    """Keep the limited feed on for so many scans."""
    want = Demand("on", feed="limited", energise=True, findings=Findings(grounded=True))
    count = 0
    while count < scans:
        scan = yield want
        count += scan.feed == "limited"
    raise AssertionError("the watchdog should have ended this")


@dataclass
class Hang:
    """A scan loop that hangs once, some scans after the feed came on; its polling threads go on."""

    seconds: float
    at_s: float = 0.0
    live_scans: int = 0

    def __call__(self, scan: Scan, _demand: Demand, _decision: Decision) -> None:
        self.live_scans += scan.feed == "limited"
        if self.live_scans == 4 and not self.at_s:
            self.at_s = time.monotonic()
            time.sleep(self.seconds)


def test_a_hung_scan_lets_the_watchdog_open_the_contactors(
    bench: ForeignBench, tmp_path: Path
) -> None:
    hang = Hang(TIMEOUT_S + SLACK_S + 0.5)
    with bench.lock:
        bench.plant.mount(BAY, "LT12-8001")
    with at_bench(load_bench(bench.path), tmp_path / "home") as place:
        what = Attempt(
            {**opening_facts(place, BAY), "part": "", "family": "test"},
            Declaration("test", feeds=frozenset({"limited"})),
            limited(300),
            BAY,
            True,
            Hands(bench),
            (hang,),
        )
        result = attempt(place.ours, place.store, place.home, what)
    (on_s, live), (off_s, dead) = bench.changes
    assert (live, dead) == (True, False)
    assert on_s < hang.at_s
    # the last heartbeat came at most one scan and one stall before the hang
    assert hang.at_s + TIMEOUT_S - SLACK_S < off_s < hang.at_s + TIMEOUT_S + SLACK_S
    assert result.fault is None
    assert (result.closing["verdict"], result.lockout) == ("none", "")
    assert result.closing["rule"] == "ended by the guard"
    assert bench.plant.account.hazards == 0


# ---- a part from intake to closing record ----------------------------------------------------------


def prove(place: Place, serial: str, tender: Tender) -> tuple[Result, list[str]]:
    """Intake and proving of one of the demo's parts; which of its expectations are not met.

    The bench proof takes too long by the wall clock: here it is a record like any other.
    """
    bench: Bench = place.bench
    body = {"passed": True, "reason": "", "digest": bench.digest, "fixture_ua": {}, "checks": []}
    body |= made_with()
    place.store.append("bench_proof", bench.id, body)
    demo = next(one for one in load_parts()[1] if one.part.serial == serial)
    intake = place.store.append("intake", SHOP, part_to_body(demo.part))
    job = prepare(place, find_part(place.store, str(intake.body["part"])), {})
    result = prove_part(place, job, BAY, tender, {})
    assert result.record is not None
    return result, unmet(demo.expect, result.record.body)


def test_a_part_is_energised_and_fails_on_a_bench_that_nobody_here_wrote(
    holding: ForeignBench, tmp_path: Path
) -> None:
    with holding.lock:
        holding.plant.mount(BAY, "CM05-7715")
    with at_bench(load_bench(holding.path), tmp_path / "home") as place:
        result, missed = prove(place, "CM05-7715", Hands(holding))
    assert missed == [], result.closing["reason"]
    assert [live for _, live in holding.changes] == [True, False]  # energised, and off again
    holding.settled()
    assert not any(holding.plant.outputs.values())
    assert not holding.plant.inputs()["lid_locked"]
    assert holding.plant.account.entries == []


def test_a_part_is_proved_on_the_virtual_bench_by_the_wall_clock(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    with launch(Options(real_time=True, bench_out=path)):
        bench = load_bench(path)
        with at_bench(bench, tmp_path / "home") as place:
            remote = place.ours.remote
            assert remote is not None
            assert not place.ours.lockstep
            remote.hands("mount", bay=BAY, serial="DP12-8801")
            started_s = time.monotonic()
            result, missed = prove(place, "DP12-8801", VirtualHands(remote, BAY))
            took_s = time.monotonic() - started_s
            account = remote.account()
    assert missed == [], result.closing["reason"]
    assert result.duration_s == pytest.approx(took_s, abs=SLACK_S)  # control time is wall time
    assert account["entries"] == []


def test_polling_ends_with_the_run(holding: ForeignBench) -> None:
    def polling() -> list[str]:
        return [one.name for one in threading.enumerate() if one.name.startswith("poll ")]

    with reading(holding) as ours:
        assert sorted(polling()) == sorted(f"poll {line}" for line in ours.stations)
    assert polling() == []
