"""What the drill can break, in which guard state, and on which parts: tables, no code to speak of.

The virtual bench breaks its own lines, instruments and hardware (it says at which places each kind can
act); the controller's side breaks the program. A kind is drawn only in the states where it is a fault:
a dead water pump is none before water is wanted. Marks: all of it is common practice or our own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from drivers.virtual.fault_meters import INSTRUMENT
from drivers.virtual.faults import KINDS as FAULTS

Side = Literal["bus", "instrument", "bench", "program"]

# The guard's states as the drill tells them apart: proving off is one passage of several states.
STATES = ("proving off", "off", "routed", "testing", "closing", "live", "breaking", "opening")
PROVING_OFF = frozenset({"unproved", "check live", "check dead", "check live again"})


def state_of(guard_state: str) -> str:
    """The drill's name for a guard state."""
    return "proving off" if guard_state in PROVING_OFF else guard_state


@dataclass(frozen=True, slots=True)
class Kind:
    """One way to break something. ``words`` says what is broken. ``falsifies``: a reading lies.
    ``parts`` empty: any."""

    name: str
    side: Side
    words: str
    falsifies: bool = False
    states: tuple[str, ...] = STATES
    parts: tuple[str, ...] = ()
    places: tuple[str, ...] = ("",)


@dataclass(frozen=True, slots=True)
class DrillPart:
    """A part of the virtual bench's shelf: its verdict without faults, states its run never enters."""

    serial: str
    verdict: str
    never: frozenset[str] = frozenset()
    common: bool = True  # drawn for any kind; others only for the kinds that name them


NEVER_LIVE = frozenset({"closing", "live", "breaking"})
HEATERS = ("OF55-0231", "HT55-8001")
PARTS: Mapping[str, DrillPart] = {
    part.serial: part
    for part in (
        DrillPart("OC05-8001", "pass"),  # corona ozone generator, sound
        DrillPart("AC60-8001", "pass"),  # converter, sound
        DrillPart("LT12-8001", "pass"),  # light, sound
        DrillPart("TR50-8001", "pass"),  # transformer, sound
        DrillPart("CP01-8001", "pass"),  # circulation pump, sound
        DrillPart("CM05-7715", "fail"),  # corona ozone generator: 12 mA prospective
        DrillPart("GW30-1180", "fail"),  # UV ozone generator that draws nothing
        DrillPart("DP12-8801", "fail", NEVER_LIVE),  # transformer that fails at the dead test
        DrillPart("OF55-0231", "fail"),  # heater with a pinhole
        DrillPart("MW10-3987", "fail"),  # pump that never runs up
        DrillPart("MW10-4410", "fail"),  # pump cut off at high speed
        DrillPart("GK50-0450", "fail"),  # GFCI that trips far too early
        DrillPart("HT55-8001", "pass", common=False),  # heater, sound: long
    )
}

_SUPPLIED = ("off", "routed", "testing", "closing", "live")
_READ = ("proving off", "routed", "testing", "closing", "live", "opening")
_WET = ("off", "routed", "closing", "live")
_WHERE: Mapping[str, tuple[str, ...]] = {  # guard states by kind; the rest: all
    **dict.fromkeys(INSTRUMENT, _READ),
    "welded": ("routed", "closing", "live", "breaking"),
    "dead_relay": ("proving off", "off", "routed", "testing", "closing", "live"),
    "brown_out": _SUPPLIED,
    "over_voltage": _SUPPLIED,
    "reference_lost": _SUPPLIED,
    "ground_lost": _SUPPLIED,
    "gfci_dead": _WET,
    "gfci_trips": (*_SUPPLIED, "breaking"),
    "water_lost": _WET,
    "flow_lost": _WET,
    "thermal": _WET,
    "feed_stuck": ("routed", "closing", "live", "breaking", "opening"),
}
_PARTS: Mapping[str, tuple[str, ...]] = dict.fromkeys(
    ("water_lost", "flow_lost", "thermal"), HEATERS
)
NOT_DRAWN = ("program",)  # the bench's mark for what the program does
AT_ONCE = "started again at once"

PROGRAM = (
    Kind("program_error", "program", "the program fails", places=("procedure", "screen")),
    Kind("kill", "program", "the program is killed", places=("", AT_ONCE)),
    Kind("freeze", "program", "the program stands still for 3 s"),
    Kind("disk_full", "program", "the disk takes nothing more"),
    Kind("lag", "program", "the disk is too slow for the journal"),
)
BENCH_KINDS = tuple(
    Kind(
        name,
        kind.group,
        kind.words,
        kind.falsifies,
        _WHERE.get(name, STATES),
        _PARTS.get(name, ()),
        kind.where,
    )
    for name, kind in FAULTS.items()
    if name not in NOT_DRAWN
)
KINDS: Mapping[str, Kind] = {kind.name: kind for kind in (*BENCH_KINDS, *PROGRAM)}
ONE_FRAME = ("crc", "garbage", "truncated", "late")  # once, on a line that is clean again after it
CELLS = tuple((kind.name, state) for kind in KINDS.values() for state in kind.states)
