"""A Modbus line with its devices: polls what is due, writes outputs and reads them back, beats."""

from __future__ import annotations

import contextlib
import re
import threading
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from drivers import blocks, modbus
from drivers.described import BenchSpec, DeviceSpec, LineSpec, OutputSpec
from drivers.errors import DriverError, LineLost, NotAsWritten, Refused, WrongDevice
from drivers.modbus_wire import MbapWire, RtuWire, Wire
from drivers.roles import Clock, Flag, Reading

Run = tuple[int, tuple[bool, ...]]  # first coil, states
BEATS: Final = 200  # values of a heartbeat register: few enough that their frames are kept


class ModbusStation:
    """A Station (roles.py) for ``rtu`` and ``modbus-tcp`` lines. One lock, held per transaction.

    ``patience`` multiplies wall-clock deadlines only: in lockstep the wall is not the bench's time.
    """

    def __init__(
        self, spec: BenchSpec, line: LineSpec, clock: Clock, patience: float = 1.0
    ) -> None:
        self.name = line.name
        self.readings: dict[str, Reading] = {}
        self.inputs: dict[str, Flag] = {}
        self.fault: DriverError | None = None
        self._clock, self._patience = clock, patience
        mine = {name: one for name, one in spec.devices.items() if one.line == line.name}
        self._devices = mine
        self._outputs = {n: one for n, one in spec.outputs.items() if one.device in mine}
        self._watchdog = spec.watchdog if spec.watchdog.device in mine else None
        quiet_s = max((one.deadline_s for one in mine.values()), default=0.25)
        self._wire: Wire = RtuWire(line, quiet_s) if line.kind == "rtu" else MbapWire(line)
        self._groups = blocks.groups(spec, line.name)
        self._coils = self._coil_blocks()
        self._lock = threading.RLock()
        self._faults = 0
        self._beats = 0
        self._late: dict[str, set[tuple[int, int]]] = {}  # shapes of replies that may still come
        self._single: set[str] = set()  # devices that refuse to write several coils at once

    # ---- the line ----

    def open(self) -> None:
        """Open the line; all inputs and readings are forgotten, everything is due."""
        with self._lock:
            self._wire.open()
            self.readings.clear()
            self.inputs.clear()
            self._late.clear()
            self.fault = None
            for group in self._groups:
                group.due_s = float("-inf")

    def close(self) -> None:
        """Close the line; never raises."""
        with self._lock:
            self._wire.line.close()

    def identify(self) -> Mapping[str, str]:
        """What each device that is asked says it is; raises WrongDevice."""
        return {one.name: self._identified(one) for one in self._devices.values() if one.identify}

    def _identified(self, device: DeviceSpec) -> str:
        words = self.read_holding(device.name, device.identify_register, device.identify_count)
        raw = b"".join(word.to_bytes(2, "big") for word in words)
        text = raw.decode("ascii", "replace").strip("\0 ")
        if not re.fullmatch(device.identify, text):
            raise WrongDevice(device.name, f"says it is {text!r}, not {device.identify!r}")
        return text

    # ---- reading ----

    def poll(self) -> None:
        """Read what is due; a failing device is left for this poll, the others go on."""
        before, asked = self._faults, False
        now_s = self._clock.now_s()
        failed: set[str] = set()
        for group in self._groups:
            if group.device.name in failed or not group.due(now_s):
                continue
            asked = True
            try:
                self._refresh(group)
            except DriverError:
                failed.add(group.device.name)
                group.due_s = now_s  # at the next poll again
            else:
                group.done(now_s)
        if self.fault is not None and not asked:
            asked = self._answers()
        if asked and self._faults == before:
            self.fault = None

    def _answers(self) -> bool:
        """Ask what nothing else asks: a line that is only written to would stay faulty for good after
        one bad reply, because its heartbeat waits for a line without a fault."""
        dog = self._watchdog
        try:
            for group in self._coils:
                for block in tuple(group.blocks):
                    self._read_block(group, block)
            if not self._coils and dog is not None:
                self.read_holding(dog.device, dog.address, 1)
        except DriverError as exc:
            self.fault = exc
            return False
        return bool(self._coils) or dog is not None

    def _refresh(self, group: blocks.Group) -> None:
        for block in tuple(group.blocks):
            self._read_block(group, block)
        taken_s = self._clock.now_s()
        inputs, readings = self.inputs, self.readings
        off, on = Flag(False, taken_s), Flag(True, taken_s)  # shared: a scan reads dozens
        for name, flag in group.flags:
            inputs[name] = on if flag() else off
        for name, value in group.values:
            readings[name] = value(taken_s)

    def _read_block(self, group: blocks.Group, block: blocks.Block) -> None:
        try:
            values = self._read(group.device, block.request, quiet=len(block.spans) > 1)
        except Refused:
            if len(block.spans) == 1:
                raise
            parts = blocks.split(block)
            at = group.blocks.index(block)
            group.blocks[at : at + 1] = parts
            for part in parts:
                self._read_block(group, part)
        else:
            group.keep(block, values)

    def read_back(self) -> Mapping[str, bool]:
        """All outputs of the line as the devices report them now; raises DriverError."""
        states: dict[str, bool] = {}
        for group in self._coils:
            for block in tuple(group.blocks):
                self._read_block(group, block)
            cells = group.image["coil"]
            for name, one in self._outputs.items():
                if one.device == group.device.name:
                    states[name] = bool(cells[one.coil]) != one.inverted
        return states

    def _coil_blocks(self) -> list[blocks.Group]:
        found = []
        for device in self._devices.values():
            spans = [(one.coil, 1) for one in self._outputs.values() if one.device == device.name]
            if spans:
                planned = blocks.blocks(device.unit, "coil", spans)
                found.append(blocks.Group(device, 0.0, planned, [], [], {"coil": {}}))
        return found

    def read_holding(self, device: str, address: int, count: int) -> list[int]:
        """Holding registers as they are; raises DriverError."""
        one = self._devices.get(device)
        if one is None:
            raise Refused(self.name, f"no device {device!r} on this line")
        return self._read(one, modbus.read(one.unit, "holding", address, count))

    # ---- writing ----

    def write(self, states: Mapping[str, bool]) -> None:
        """Write the named outputs, those that go off first, and read them back.

        Raises NotAsWritten when the board reports otherwise, any DriverError of the line.
        """
        unknown = sorted(set(states) - set(self._outputs))
        if unknown:
            raise Refused(self.name, f"no outputs {', '.join(unknown)} on this line")
        with self._lock:
            for device in self._devices.values():
                chosen = [one for name, one in self._outputs.items() if name in states]
                mine = [one for one in chosen if one.device == device.name]
                for run in coil_runs(mine, states):
                    self._write_run(device, run)
                    self._prove_run(device, run)

    def make_safe(self, leave: frozenset[str] = frozenset()) -> None:
        """Every output off but those to ``leave``; each device is tried twice, a lost line reopened
        once for it.

        Continues after a failing device; raises the first failure at the end.
        """
        failures: list[DriverError] = []
        with self._lock:
            for device in self._devices.values():
                first = self._all_off(device, leave)
                if first is None:
                    continue
                if isinstance(first, LineLost):
                    with contextlib.suppress(DriverError):
                        self._wire.open()
                second = self._all_off(device, leave)
                if second is not None:
                    failures.append(second)
        if failures:
            raise failures[0]

    def _all_off(self, device: DeviceSpec, leave: frozenset[str]) -> DriverError | None:
        every = [one for one in self._outputs.values() if one.device == device.name]
        mine = [one for one in every if one.name not in leave]
        failure: DriverError | None = None
        for run in coil_runs(mine, {one.name: False for one in mine}):
            try:
                self._write_run(device, run, probe=False)
                self._prove_run(device, run, probe=False)
            except DriverError as exc:
                failure = failure or exc
        return failure

    def _write_run(self, device: DeviceSpec, run: Run, probe: bool = True) -> None:
        address, states = run
        if len(states) > 1 and device.name not in self._single:
            try:
                request = modbus.write_coils(device.unit, address, states)
                self._ask(device, request, probe, quiet=True)
            except Refused:
                self._single.add(device.name)  # many small boards know function 5 only
            else:
                return
        for offset, on in enumerate(states):
            self._ask(device, modbus.write_coil(device.unit, address + offset, on), probe)

    def _prove_run(self, device: DeviceSpec, run: Run, probe: bool = True) -> None:
        address, states = run
        request = modbus.read(device.unit, "coil", address, len(states))
        found = self._read(device, request, probe)
        wrong = [address + i for i, on in enumerate(states) if found[i] != on]
        if wrong:
            coils = ", ".join(map(str, wrong))
            words = f"coil {coils} read back otherwise than written"
            failure = NotAsWritten(device.name, words, "check the board and its supply")
            self._note(failure)
            raise failure

    def beat(self) -> None:
        """Renew the watchdog, if its device is on this line. Refuses while the line has a fault."""
        dog = self._watchdog
        if dog is None:
            return
        if self.fault is not None:
            raise self.fault
        device = self._devices[dog.device]
        self._beats = self._beats % BEATS + 1  # kind B: another value each time
        requests = {
            "B": lambda: modbus.write_register(device.unit, dog.address, self._beats),
            "C": lambda: modbus.write_register(device.unit, dog.address, hold_ms(dog.timeout_s)),
            "F": lambda: modbus.write_coil(device.unit, dog.address, bool(self._beats % 2)),
        }
        self._ask(device, requests[dog.kind]())

    # ---- transactions ----

    def _read(
        self, device: DeviceSpec, request: modbus.Request, probe: bool = True, quiet: bool = False
    ) -> list[int]:
        pdu = self._ask(device, request, probe, quiet)
        return modbus.read_values(device.name, request, pdu)

    def _ask(
        self,
        device: DeviceSpec,
        request: modbus.Request,
        probe: bool = True,
        quiet: bool = False,
    ) -> bytes:
        """One transaction and its cost. ``quiet``: a refusal is expected here, it is no fault."""
        with self._lock:
            self._settle(device, request, probe)
            try:
                pdu = self._wire.carry(device.name, request, device.deadline_s * self._patience)
            except Refused as exc:
                self._clock.spent(device.latency_s)
                if not quiet:
                    self._note(exc)
                raise
            except DriverError as exc:
                self._fail(device, request, exc)
                raise
            self._clock.spent(device.latency_s)
            return pdu

    def _settle(self, device: DeviceSpec, request: modbus.Request, probe: bool) -> None:
        """Clean a dirty line; then prove that this device's next reply is its next reply."""
        if self._wire.line.dirty:
            try:
                self._wire.line.clean()
            except DriverError as exc:
                self._note(exc)
                raise
            finally:
                self._clock.spent(self._wire.quiet_s)
        if probe and not self._wire.numbered and device.name in self._late:
            self._probe(device, request)

    def _probe(self, device: DeviceSpec, request: modbus.Request) -> None:
        shapes = frozenset(self._late[device.name])
        probe = modbus.unlike(request, shapes | {(request.function, request.reply_bytes)})
        try:
            self._wire.carry(device.name, probe, device.deadline_s * self._patience)
        except Refused:
            pass  # alive, and in step
        except DriverError as exc:
            self._fail(device, probe, exc)
            raise
        self._clock.spent(device.latency_s)
        del self._late[device.name]

    def _fail(self, device: DeviceSpec, request: modbus.Request, exc: DriverError) -> None:
        self._late.setdefault(device.name, set()).add((request.function, request.reply_bytes))
        self._clock.spent(device.deadline_s)
        self._note(exc)

    def _note(self, exc: DriverError) -> None:
        self._faults += 1
        self.fault = exc


def hold_ms(timeout_s: float) -> int:
    """A hold time as a kind C watchdog takes it, in whole ms."""
    return min(0xFFFF, max(1, round(timeout_s * 1000.0)))


def coil_runs(outputs: Iterable[OutputSpec], states: Mapping[str, bool]) -> Sequence[Run]:
    """Contiguous coils with what to write there; runs that only switch off come first."""
    cells = {one.coil: states[one.name] != one.inverted for one in outputs}
    off = {one.coil for one in outputs if not states[one.name]}
    spans = blocks.merged(((coil, 1) for coil in cells), 0, modbus.MOST[15])
    runs = [[coil for coil, _ in run] for run in spans]
    runs.sort(key=lambda run: not off.issuperset(run))
    return [(run[0], tuple(cells[coil] for coil in run)) for run in runs]
