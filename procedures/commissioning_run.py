"""What the stages of commissioning share: the bench's plan, moving to a state, reading what follows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from procedures.proof_run import Proof
from procedures.scan import BAY_V, SUPPLY_V, Ask, Demand, Setup
from procedures.steps import Run, Step, ask, give, new_value

REACH_S = 20.0  # a state that the guard gives reasons against ends the run by itself
SETTLE_S, SAMPLE_S = 1.0, 2.0
PERSON_S = 3600.0  # a supply is not locked out in ten minutes


@dataclass(frozen=True, slots=True)
class Plan:
    """What the bench file says besides ``Setup``: how many bays, which one is used, the times in s."""

    bays: int
    bay: int
    watchdog_s: float
    scan_s: float


class Band(NamedTuple):
    """A stage's supply: what a person is asked to connect, and what it must read, V."""

    key: str
    words: str
    name: str
    low_v: float
    high_v: float


def reach(run: Run, want: Demand, state: str) -> Step[bool]:
    """Scan until the guard is in ``state``; false when it does not get there."""
    start_s = (yield from give(run, want)).t_s
    while run.scan.state != state:
        if run.scan.t_s - start_s > REACH_S:
            return False
        yield from give(run, want)
    return True


def dwell(run: Run, want: Demand, seconds: float) -> Step[None]:
    """Keep a demand for some time."""
    start_s = (yield from give(run, want)).t_s
    while run.scan.t_s < start_s + seconds:
        yield from give(run, want)


def mean_of(run: Run, want: Demand, quantity: str) -> Step[float | None]:
    """Mean of a quantity's new samples while ``want`` is kept; None when there was none."""
    start_s, values = run.scan.t_s, list[float]()
    while run.scan.t_s < start_s + SETTLE_S + SAMPLE_S:
        scan = yield from give(run, want)
        value = new_value(scan, quantity, start_s + SETTLE_S)
        values += [] if value is None else [value]
    return sum(values) / len(values) if values else None


def bay_volts(run: Run, want: Demand) -> Step[float | None]:
    """What the bus carries, V."""
    return (yield from mean_of(run, want, BAY_V))


def differs(setup: Setup, inputs: Mapping[str, bool], expected: Mapping[str, bool]) -> str:
    """Which fitted inputs do not read as expected, in words; empty when all do. Missing differs."""
    wrong = [
        f"{name} reads {inputs.get(name)}"
        for name, wanted in expected.items()
        if name in setup.inputs and inputs.get(name) is not wanted
    ]
    return ", ".join(wrong)


def mirrors(on: str = "", locked: bool = True) -> dict[str, bool]:
    """What mirror contacts must read while the output ``on`` is on alone, the contactors open."""
    return {
        "contactor_1_open": True,
        "contactor_2_open": True,
        "bays_open": not on.startswith("bay_"),
        "feeds_open": not on.startswith("feed_"),
        "lid_locked": locked,
    }


def released(run: Run, stage: str) -> Step[None]:
    """Wait until the lid can be opened."""
    want = run.demand(stage)
    start_s = (yield from give(run, want)).t_s
    while run.scan.inputs.get("lid_locked") is not False and run.scan.t_s < start_s + REACH_S:
        yield from give(run, want)


def supply(proof: Proof, band: Band) -> Step[None]:
    """A person connects it; the supply meter, or a hand voltmeter where none is fitted, confirms."""
    run = proof.run
    yield from released(run, band.name)
    yield from ask(run, Ask(band.key, band.words, deadline_s=PERSON_S))
    fitted = SUPPLY_V in run.setup.quantities
    volts = (yield from mean_of(run, run.demand(band.name), SUPPLY_V)) if fitted else None
    if not fitted:
        volts = yield from _hand_volts(run)
    met = volts is not None and band.low_v <= volts <= band.high_v
    words = "" if fitted else "by hand voltmeter"
    allowed = f"{band.low_v:.4g} to {band.high_v:.4g}"
    proof.check(f"supply, {band.name}", volts, "V", allowed, met, words)


def _hand_volts(run: Run) -> Step[float]:
    words = "Measure leg to neutral ahead of the contactors with a hand voltmeter. Volts?"
    return float((yield from ask(run, Ask("supply_by_hand", words, "number", unit="V"))))
