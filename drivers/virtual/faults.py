"""Faults in the virtual bench: begin them, mend them, and keep the account of what followed.

The bench judges by what is really so: how long the bus stayed live, and whether a part was passed that
by its truth must not pass. The controller has no say in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drivers.errors import Refused
from drivers.virtual.fault import Fault, Kind, Scene, Undo
from drivers.virtual.fault_bench import BENCH
from drivers.virtual.fault_meters import INSTRUMENT
from drivers.virtual.fault_wires import BUS, CUT_OFF_S
from drivers.virtual.names import CONTACTORS, SOURCE_OUTPUTS
from drivers.virtual.plant import Plant
from drivers.virtual.wires import Wire

KINDS: Mapping[str, Kind] = {**BUS, **INSTRUMENT, **BENCH}
REMEMBERED = 1000


class Faults:
    """The faults of one bench. Without ``wires`` there are no bus faults."""

    def __init__(self, plant: Plant, wires: Mapping[str, Wire] | None = None) -> None:
        self._plant, self._scene = plant, Scene(plant, wires or {})
        self.records: list[Fault] = []
        self._open: list[Fault] = []  # still there, or the bus not yet dead since
        self._undo: dict[int, Undo] = {}
        self._count = 0

    # ---- begin and mend --------------------------------------------------------------------------

    def kinds(self) -> list[dict[str, Any]]:
        """All kinds with the places where they can act on this bench."""
        return [
            {
                "kind": name,
                "group": kind.group,
                "words": kind.words,
                "where": list(kind.where),
                "falsifies": kind.falsifies,
                "allowed_s": dict(kind.allowed_s),
                "takes": {key: number._asdict() for key, number in kind.takes.items()},
            }
            for name, kind in KINDS.items()
            if kind.group != "bus" or self._scene.wires
        ]

    def begin(
        self,
        name: str,
        where: str | None = None,
        for_s: float | None = None,
        count: int | None = None,
        how: Mapping[str, float] | None = None,
    ) -> Fault:
        """A fault from now on. Raises Refused in words for what can't be."""
        kind = KINDS.get(name)
        if kind is None:
            raise Refused("bench", f"no fault {name!r}", f"one of {', '.join(KINDS)}")
        place = self._place(name, kind, where)
        if count is not None and kind.group != "bus":
            raise Refused("bench", f"{name} has no replies to count", "give for_s")
        self._count += 1
        fault = Fault(
            number=self._count,
            kind=name,
            where=place,
            onset_s=self._plant.t_s,
            energised=self._plant.energised,
            group=kind.group,
            falsifies=kind.falsifies,
            allowed_s=kind.allowed_s.get(place),
            how=_numbers(name, kind, how or {}),
            for_s=for_s,
            left=count,
        )
        self._undo[fault.number] = kind.begin(self._scene, fault)
        self._note(fault)
        return fault

    def _place(self, name: str, kind: Kind, where: str | None) -> str:
        if where is None and len(kind.where) == 1:
            where = kind.where[0]
        if where not in kind.where:
            raise Refused("bench", f"no {name} at {where!r}", f"at {', '.join(kind.where)}")
        if kind.group == "bus" and where not in self._scene.wires:
            raise Refused("bench", f"no line {where!r} here", "this plant has no servers")
        return where

    def _note(self, fault: Fault) -> None:
        if not fault.energised:
            fault.off_s = fault.onset_s
        self.records = [*self.records[1 - REMEMBERED :], fault]
        self._open.append(fault)
        self._plant.trouble = self

    def mend(self) -> int:
        """Remove all faults, as a technician would; how many. Raises Refused while something is on."""
        on = [name for name in (*CONTACTORS, *SOURCE_OUTPUTS) if self._plant.outputs[name]]
        if on:
            raise Refused("bench", f"{', '.join(on)} commanded", "switch off first")
        there = [fault for fault in reversed(self._open) if fault.ended_s is None]
        for fault in there:
            self._end(fault)
        self._plant.service()
        return len(there)

    def _end(self, fault: Fault) -> None:
        fault.over, fault.ended_s = True, self._plant.t_s
        self._undo.pop(fault.number)()

    # ---- the account -----------------------------------------------------------------------------

    def advance(self, dt_s: float) -> None:
        """After each step of the plant, as long as a fault is there or the bus not yet dead."""
        for fault in tuple(self._open):
            self._follow(fault, dt_s)
        self._open = [f for f in self._open if f.ended_s is None or f.off_s is None]
        if not self._open:
            self._plant.trouble = None

    def _follow(self, fault: Fault, dt_s: float) -> None:
        plant = self._plant
        if fault.off_s is None and not plant.energised:
            fault.off_s = plant.t_s
        if fault.for_s is not None and plant.t_s >= fault.onset_s + fault.for_s - 1e-9:
            fault.over = True
        if fault.over and fault.ended_s is None:
            self._end(fault)
        counts = plant.live and fault.counting and not fault.over and _stands(fault, plant)
        fault.live_s = fault.live_s + dt_s if counts else 0.0
        self._judge_time(fault)

    def _judge_time(self, fault: Fault) -> None:
        if fault.allowed_s is None or fault.late:
            return
        allowed_s = self._patience_s(fault.allowed_s)
        if fault.live_s > allowed_s + 1e-9:
            fault.late = True
            words = f"live {fault.live_s:.2f} s with {fault.kind} at {fault.where}"
            self._plant.account.event(
                self._plant.t_s, "late off", f"{words}, {allowed_s} s allowed"
            )

    def _patience_s(self, allowed_s: float) -> float:
        """With a line cut or the program failing besides, only the board's watchdog is left."""
        since_s = self._plant.t_s - CUT_OFF_S
        cuts = (fault for fault in self.records if fault.group == "bus" or fault.kind == "program")
        cut = any(fault.ended_s is None or fault.ended_s >= since_s for fault in cuts)
        return max(allowed_s, CUT_OFF_S) if cut else allowed_s

    def grace_s(self, hazard: str) -> float:
        """How long a hazard may last that a fault which is there began, s."""
        there = (KINDS[f.kind].grace_s.get(hazard, 0.0) for f in self._open if not f.over)
        grace_s = max(there, default=0.0)
        return self._patience_s(grace_s) if grace_s else 0.0

    def judge(self, verdict: str, serial: str) -> str:
        """Count a pass as a hazard where a fault that falsifies was there while the part was in its
        bay, and the part is not one that passes. The words, empty when there is nothing to say."""
        truth = self._plant.shelf.get(serial)
        if truth is None:
            raise Refused("bench", f"no part {serial!r} on the shelf", "look at the shelf's list")
        since_s = self._plant.mounted_s(serial)
        guilty = [fault for fault in self.records if _falsified(fault, since_s)]
        if verdict != "pass" or truth.passes or not guilty:
            return ""
        names = ", ".join(f"{fault.kind} at {fault.where}" for fault in guilty)
        words = f"{serial} passed with {names}"
        self._plant.account.event(self._plant.t_s, "false pass", words)
        return words


def _stands(fault: Fault, plant: Plant) -> bool:
    """Whether it is still so: hands may have closed a lid that was forced open."""
    return fault.kind != "lid" or not plant.lid_closed


def _falsified(fault: Fault, since_s: float) -> bool:
    struck = fault.group != "bus" or fault.hits > 0
    lasted = fault.ended_s is None or fault.ended_s >= since_s
    return fault.falsifies and struck and lasted


def _numbers(name: str, kind: Kind, how: Mapping[str, float]) -> dict[str, float]:
    unknown = sorted(how.keys() - kind.takes.keys())
    if unknown:
        known = ", ".join(kind.takes) or "nothing more"
        raise Refused("bench", f"{name} takes no {', '.join(unknown)}", known)
    for key, value in how.items():
        number = kind.takes[key]
        if not number.low <= value <= number.high:
            raise Refused("bench", f"{key} of {name}: {value}", f"{number.low} to {number.high}")
    defaults = {key: n.default for key, n in kind.takes.items() if n.default is not None}
    return {**defaults, **how}
