"""What the guard may know: the facts of the bench, what one scan saw, what it remembers. Data only.

``rig/wiring.py`` makes both from the bench file and the stations' newest readings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from procedures.scan import Declaration, Demand, Event, Feed, Source


@dataclass(frozen=True, slots=True)
class Facts:
    """A bench's constants for one run on one ``bay`` (the bay relay's output name).

    ``commissioned``: the bench showed a virtual bench's run token, or ``commissioned.py`` found its
    commissioning in order. ``proved``: a bench proof within its validity.
    ``skew_s``: by how much an honest mirror may lag behind the bus that its contactor has made live.
    ``confirm_s``: how long after a cut-off a slower leakage sensor may take to say the same.
    Times in s, voltages in V, currents in mA unless the name says otherwise. The proposals (P) of the
    trade's rules are the gate, the cut-off and the water limit.
    """

    bay: str
    outputs: frozenset[str]
    inputs: frozenset[str]
    quantities: frozenset[str]
    vital_inputs: frozenset[str]
    vital_quantities: frozenset[str]
    nominal_v: float
    tolerance: float
    commissioned: bool
    proved: bool
    gate_ma: float = 3.0
    cutoff_ma: float = 3.5
    quiet_ma: float = 0.5
    water_max_c: float = 45.0
    dead_v: float = 10.0
    discharged_v: float = 30.0
    no_load_a: float = 0.2
    check_v: float = 24.0
    off_proof_s: float = 8.0
    check_s: float = 3.0
    close_s: float = 2.0
    skew_s: float = 0.15
    confirm_s: float = 0.5
    arm_hold_s: float = 10.0
    lease_s: float = 0.4
    refusal_s: float = 15.0
    person_s: float = 600.0


@dataclass(frozen=True, slots=True)
class Seen:
    """One scan's inputs as the guard sees them. Missing means stale, invalid or not fitted.

    ``dirty_s`` is how long some line has not been clean (0: all clean), ``contradiction`` which
    readings have contradicted one another for too long (empty: none), ``worst_leakage_ma`` the
    greatest fresh leakage reading of any sensor. ``leakage_apart``: the leakage sensors disagree in
    this very scan; ``over``: quantities above their meter's range.
    """

    t_s: float
    values: Mapping[str, float]
    taken_s: Mapping[str, float]
    inputs: Mapping[str, bool]
    dirty_s: float = 0.0
    recorder_ok: bool = True
    contradiction: str = ""
    worst_leakage_ma: float | None = None
    leakage_apart: bool = False
    over: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Decision:
    """What one scan decided. ``on`` are output names; everything else is off.

    ``ended`` is the reason why the run must end, ``person`` whether a person did it (stop, lid).
    ``person_needed`` names what a person has to do next ("arm"), for the prompt.
    """

    on: frozenset[str]
    beat: bool
    state: str
    feed: Feed | None
    source: Source | None
    waiting: str = ""
    person_needed: str = ""
    event: Event | None = None
    ended: str = ""
    person: bool = False
    lockout: str = ""


class Doubted(NamedTuple):
    """A cut-off that only some leakage sensors have asked for: the event if the others confirm it,
    the stage and the limit that it was in, who has said so by now, and what was read, in words."""

    event: Event
    stage: str
    limit_ma: float
    said: frozenset[str]
    words: str


@dataclass(slots=True)
class Memory:
    """What the guard carries from scan to scan."""

    state: str = "unproved"
    since_s: float = 0.0
    route: frozenset[str] = frozenset()
    feed: Feed | None = None
    source: Source | None = None
    contactors: frozenset[int] = frozenset({1, 2})
    bus_v: float | None = None
    been_live_v: frozenset[float] = frozenset()
    lead: int = 1
    arm: str = "none"  # none -> released -> pressed -> armed
    arm_s: float = 0.0
    stage: str = ""
    stage_s: float = 0.0
    on_s: float = 0.0
    refused_s: float = 0.0
    spent_event: bool = False
    ended: str = ""
    person: bool = False
    lockout: str = ""
    proof_void: bool = False
    last_beat_s: float = 0.0
    decided_s: float = 0.0
    split_s: float | None = None  # since when the bus is live and a mirror says open
    doubted: Doubted | None = None


class View(NamedTuple):
    """Everything a rule may look at."""

    seen: Seen
    demand: Demand
    declaration: Declaration
    facts: Facts
    memory: Memory
