"""Commissioning over the real guard and scan loop on the plant: a good bench passes, a bad one fails."""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

import drivers.virtual.plant as plant_module
from drivers.roles import Flag
from drivers.virtual.plant import Plant
from drivers.virtual.process import Options, launch
from drivers.virtual.scenario import DEMO
from procedures.commissioning import STAGES, Commissioned, commission, commissioning_declaration
from procedures.commissioning_dead import INTERLOCKS, outputs_of
from procedures.commissioning_run import Plan
from procedures.scan import Ask, Setup
from results.store import Store
from rig import main as main_module
from rig.bench import setup_of
from rig.bench_file import load_bench
from rig.guard import Guard
from rig.scan_loop import RunEnded, ScanLoop
from tests.rig.plant_loop import PlantHands, PlantStation, plant_loop

EXAMPLE = Path(__file__).parents[2] / "rig" / "examples" / "split_phase.toml"
BENCH = load_bench(EXAMPLE, datetime.date(2026, 6, 1))
PLAN = Plan(bays=4, bay=1, watchdog_s=1.0, scan_s=0.1)
FULL = setup_of(BENCH, {}, {})


@dataclass
class Rigged:
    """A plant with its loop, to be spoilt before commissioning."""

    plant: Plant
    loop: ScanLoop
    setup: Setup = FULL

    @property
    def station(self) -> PlantStation:
        station = self.loop.stations["plant"]
        assert isinstance(station, PlantStation)
        return station


def rigged(setup: Setup = FULL) -> Rigged:
    plant = Plant({}, seed=1)
    declaration = commissioning_declaration(setup)
    loop = plant_loop(plant, BENCH, declaration, proved=False)
    loop.guard = Guard(replace(loop.guard.facts, commissioned=False), declaration)
    return Rigged(plant, loop, setup)


def commissioned(rig: Rigged) -> Commissioned:
    """Run it; whatever happens the bench ends off and nothing dangerous was counted."""
    found: list[Commissioned] = []
    outcome = rig.loop.prove(commission(rig.setup, PLAN, found.append))
    assert (outcome.verdict.verdict == "pass") is found[0].passed
    assert rig.plant.account.hazards == 0, rig.plant.account.entries
    assert not rig.plant.live
    return found[0]


def _refused(result: Commissioned) -> set[str]:
    return {check.name for check in result.checks if check.met is False}


def test_a_good_bench_is_commissioned_stage_by_stage() -> None:
    rig = rigged()
    result = commissioned(rig)
    assert result.passed, result.reason
    assert result.stages == tuple(stage.name for stage in STAGES)
    assert not result.unproved
    names = {check.name for check in result.checks}
    assert {f"{output} alone" for output in outputs_of(FULL, PLAN)} <= names
    assert {f"interlock {name}" for name in (*INTERLOCKS, "gfci_live")} <= names
    assert {f"24 V at the clips, bay {n}" for n in (1, 2, 3, 4)} <= names
    assert rig.loop.guard.memory.been_live_v == {0.0, 24.0, 120.0}


def test_every_output_of_the_bench_file_is_switched_by_commissioning() -> None:
    """Contactors, lock, check source and test sources go through the guard's own states."""
    rig, seen = rigged(), set[str]()
    rig.loop.watch = (lambda scan, demand, decision: seen.update(decision.on),)
    commissioned(rig)
    assert seen == set(BENCH.spec.outputs)


# ---- spoilt benches --------------------------------------------------------------------------------


def _stuck(name: str, on: bool) -> Callable[[Rigged], None]:
    """An input that never moves: a bridged or a broken interlock."""

    def spoil(rig: Rigged) -> None:
        poll = rig.station.poll

        def polled() -> None:
            poll()
            rig.station.inputs[name] = Flag(on, rig.plant.t_s)

        rig.station.poll = polled  # type: ignore[method-assign]

    return spoil


def _crossed(one: str, other: str) -> Callable[[Rigged], None]:
    """Two relays whose wires were swapped."""
    swap = {one: other, other: one}

    def spoil(rig: Rigged) -> None:
        write = rig.station.write

        def written(states: Mapping[str, bool]) -> None:
            write({swap.get(name, name): on for name, on in states.items()})

        rig.station.write = written  # type: ignore[method-assign]

    return spoil


def _dead(name: str) -> Callable[[Rigged], None]:
    """A relay that never closes."""

    def spoil(rig: Rigged) -> None:
        write = rig.station.write
        rig.station.write = lambda states: write(  # type: ignore[method-assign]
            {key: on and key != name for key, on in states.items()}
        )

    return spoil


def _no_reference(name: str) -> Callable[[Rigged], None]:
    def spoil(rig: Rigged) -> None:
        known = {**rig.plant.fixture.reference_s, name: 1e-12 + 0j}
        rig.plant.fixture = replace(rig.plant.fixture, reference_s=known)

    return spoil


def _supply_stays(rig: Rigged) -> None:
    """The isolator was not opened, whatever the person says."""
    rig.loop.tender = Deaf(rig.plant, 1, deaf_to="no_mains")


def _mains_instead_of_24_v(rig: Rigged) -> None:
    rig.loop.tender = Deaf(rig.plant, 1, deaf_to="extra_low", instead=120.0)


class Deaf(PlantHands):
    """Hands that say yes to one prompt and do something else."""

    def __init__(self, plant: Plant, bay: int, deaf_to: str, instead: float = 120.0) -> None:
        super().__init__(plant, bay)
        self.deaf_to, self.instead = deaf_to, instead

    def _answer(self, ask: Ask) -> str | float:
        if ask.key == self.deaf_to:
            self.plant.supply.leg_v = self.instead
            return "yes"
        return super()._answer(ask)


SPOILT: Mapping[str, tuple[Callable[[Rigged], None], set[str]]] = {
    "supply not switched off": (_supply_stays, {"supply, no mains"}),
    "mains instead of 24 V": (_mains_instead_of_24_v, {"supply, extra-low voltage"}),
    **{
        f"dead interlock {name}": (_stuck(name, one.rest), {f"interlock {name}"})
        for name, one in INTERLOCKS.items()
        if name != "arm_pressed"
    },
    "level never rests": (_stuck("level_ok", False), {"interlock level_ok"}),
    "dead gfci contact": (_stuck("gfci_live", True), {"interlock gfci_live"}),
    "bay and feed crossed": (
        _crossed("bay_1", "feed_limited"),
        {"bay_1 alone", "feed_limited alone"},
    ),
    "bay and aid crossed": (_crossed("bay_3", "aid_water"), {"bay_3 alone", "aid_water alone"}),
    "contactors crossed": (
        _crossed("contactor_1", "contactor_2"),
        {"contactor 1 alone", "contactor 2 alone"},
    ),
    "two bays crossed": (
        _crossed("bay_2", "bay_4"),
        {"24 V at the clips, bay 2", "24 V at the clips, bay 4"},
    ),
    "dead bay relay": (_dead("bay_2"), {"bay_2 alone"}),
    "dead feed relay": (_dead("feed_both_hot"), {"feed_both_hot alone"}),
    "dead contactor": (_dead("contactor_2"), {"contactor 2 alone"}),
    "dead lid lock": (_dead("lid_lock"), {"bay_1 alone"}),
    "no resistive reference": (_no_reference("reference_resistive"), {"reference resistive"}),
    "no capacitive reference": (_no_reference("reference_capacitive"), {"reference capacitive"}),
}


@pytest.mark.parametrize("name", SPOILT)
def test_a_spoilt_bench_is_refused_by_the_check_that_it_fails(name: str) -> None:
    spoil, refused = SPOILT[name]
    rig = rigged()
    spoil(rig)
    result = commissioned(rig)
    assert not result.passed
    assert refused <= _refused(result), result.reason
    assert len(result.stages) < len(STAGES)


def test_a_board_whose_watchdog_does_not_drop_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plant_module, "WATCHDOG_S", 1e9)
    rig = rigged()
    result = commissioned(rig)
    assert _refused(result) == {"watchdog drops out"}
    assert rig.loop.guard.memory.been_live_v == {0.0}  # no voltage after that


def test_a_board_that_drops_later_than_its_file_says_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(plant_module, "WATCHDOG_S", 1.6)
    assert _refused(commissioned(rigged())) == {"watchdog drops out"}


def test_without_any_reference_leak_the_sensors_are_not_taken_on_trust() -> None:
    fitted = FULL.proof - {"reference_resistive", "reference_capacitive"}
    result = commissioned(rigged(replace(FULL, proof=fitted)))
    assert _refused(result) == {"known leaks"}


def test_what_is_not_fitted_is_recorded_as_not_done() -> None:
    lacking = replace(FULL, inputs=FULL.inputs - {"hood_ok", "bays_open"})
    result = commissioned(rigged(lacking))
    assert result.passed, result.reason
    assert any("hood_ok is not fitted" in words for words in result.unproved)


def _stop_when_live(rig: Rigged) -> None:
    rig.loop.watch = (lambda scan, *_: rig.plant.stop(scan.state == "live"),)


ENDED: Mapping[str, tuple[Callable[[Rigged], None], str]] = {
    "stop pressed": (_stop_when_live, "stop is pressed"),
    "dead arm button": (_stuck("arm_pressed", False), "not armed"),
    "wedged arm button": (_stuck("arm_pressed", True), "not armed"),
    "feeds crossed": (
        _crossed("feed_line_line", "feed_line_neutral"),
        "bay voltage is not that of the supply",
    ),
}


@pytest.mark.parametrize("name", ENDED)
def test_what_the_guard_ends_is_not_commissioned_and_says_what_was_done(name: str) -> None:
    spoil, words = ENDED[name]
    rig, found = rigged(), list[Commissioned]()
    spoil(rig)
    with pytest.raises(RunEnded, match=words):
        rig.loop.prove(commission(FULL, PLAN, found.append))
    assert not found[0].passed
    assert found[0].checks
    assert not rig.plant.live
    assert rig.plant.account.hazards == 0


# ---- over the wires --------------------------------------------------------------------------------


def test_bench_commission_runs_on_a_virtual_bench_and_leaves_a_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("MILLIPROOF_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("MILLIPROOF_STATE", str(tmp_path / "state"))
    path = tmp_path / "virtual.toml"
    with launch(Options(DEMO, real_time=False, seed=1, bench_out=path)):
        args = ["bench", "commission", "--bench", str(path), "--yes", "--by", "R. Tarn", "--json"]
        code = main_module.run(args)
    said = json.loads(capsys.readouterr().out)
    assert (code, said["passed"], said["simulated"], said["by"]) == (0, True, True, "R. Tarn")
    assert said["digest"] == load_bench(path).digest
    assert said["stages"] == [stage.name for stage in STAGES]
    with Store.open(tmp_path / "home") as store:
        newest = store.newest("commissioning")
        assert newest is not None
        assert newest.number == said["record"]
        closing = store.get(said["attempt"])
    assert closing.body["verdict"] == "pass"
    main_module.run(["show", said["record"]])
    main_module.run(["show", said["attempt"]])
    shown = capsys.readouterr().out
    assert "24 V at the clips, bay 4" in shown
    assert "Lockout and test before touch confirmed by the virtual bench's hands, 2" in shown
