"""A bench that has nothing of ours but the physics: other protocol stacks, another layout.

modbus-tk speaks RTU (three units on one bus) and TCP (two units behind a gateway), the SCPI and the
printing meter are written here, and the plant behind them runs by the wall clock. What is wired where
stands in the tables below; ``foreign_bench.toml`` says the same in a bench file's words, written apart
from them, and the controller knows only that file.
"""

from __future__ import annotations

import contextlib
import math
import os
import secrets
import socketserver
import struct
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import serial
from modbus_tk import defines, hooks, modbus_rtu, modbus_tcp

from drivers.virtual.plant import Plant
from drivers.virtual.scenario import load
from tests.drivers.peers import bridged, free_port, listening, pty_pair

TEMPLATE = Path(__file__).with_name("foreign_bench.toml")
TICK_S = 0.02
TIMER_S = 2.0  # kind F: what the hard-wired timer is set to
HOLD_REGISTER, TIMER_COIL = 4660, 60
IDENTITY = b"NOBODY CONTACTS 3.14"
WATCHDOGS = {
    "C": f'kind = "C"\ndevice = "switchboard"\nregister = {HOLD_REGISTER}',
    "F": f'kind = "F"\ndevice = "contacts"\ncoil = {TIMER_COIL}',
}
WRITES = {
    "C": "modbus.Slave.handle_write_single_register_request",
    "F": "modbus.Slave.handle_write_single_coil_request",
}
HELD = (  # what the watchdog of either kind lets fall
    *("contactor_1", "contactor_2", "positive_control", "gfci_injector", "source_bond"),
    *("source_ohms", "source_insulation", "source_insulation_low", "source_insulation_secondary"),
)


class Relay(NamedTuple):
    """Unit and coil of a relay; ``resting``: it is on while its coil is off."""

    unit: int
    coil: int
    resting: bool = False


class Contact(NamedTuple):
    """Where an input shows; ``bit`` of a register, ``breaks``: 0 when what its name says is so."""

    unit: int
    table: int
    address: int
    bit: int = 0
    breaks: bool = False


class Shown(NamedTuple):
    """How a meter shows a quantity: ``code`` of struct, bytes in ``order``, counts of a value."""

    unit: int
    table: int
    address: int
    code: str
    order: str
    counts: Callable[[float], float]


RELAYS: Mapping[str, Relay] = {
    "contactor_1": Relay(17, 33),
    "contactor_2": Relay(17, 21),
    "lid_lock": Relay(17, 7, resting=True),
    "voltage_check": Relay(17, 65),
    "positive_control": Relay(17, 3),
    **{f"bay_{n}": Relay(17, 305 - n) for n in (1, 2, 3, 4)},
    "feed_line_neutral": Relay(17, 517),
    "feed_both_hot": Relay(17, 519),
    "feed_line_line": Relay(17, 521),
    "feed_neutral_line": Relay(17, 523),
    "feed_limited": Relay(17, 525),
    "source_bond": Relay(17, 641),
    "source_ohms": Relay(17, 642),
    "source_insulation": Relay(17, 643),
    "source_insulation_low": Relay(17, 644),
    "source_insulation_secondary": Relay(17, 645),
    "aid_high_speed": Relay(18, 1),
    "aid_water": Relay(18, 2),
    "aid_humid": Relay(18, 3, resting=True),
    "aid_flow": Relay(18, 4),
    "reference_resistive": Relay(17, 700),
    "reference_capacitive": Relay(17, 701, resting=True),
    "trip_leg_1": Relay(17, 702),
    "hold_leg_1": Relay(17, 703),
    "trip_leg_2": Relay(17, 704),
    "hold_leg_2": Relay(17, 705),
    "neutral_upstream": Relay(17, 706),
    "neutral_downstream": Relay(17, 707, resting=True),
    "gfci_injector": Relay(17, 708),
    "known_load": Relay(17, 999),
    "known_resistors": Relay(17, 709),
}
COIL, DISCRETE = defines.COILS, defines.DISCRETE_INPUTS
HOLDING, INPUT = defines.HOLDING_REGISTERS, defines.ANALOG_INPUTS
CONTACTS: Mapping[str, Contact] = {
    "contactor_2_open": Contact(18, DISCRETE, 529),
    "contactor_1_open": Contact(18, DISCRETE, 530, breaks=True),
    "stop_healthy": Contact(18, DISCRETE, 537, breaks=True),
    "lid_closed": Contact(18, DISCRETE, 538),
    "lid_locked": Contact(18, HOLDING, 4096, 3),
    "gfci_live": Contact(18, HOLDING, 4096, 9, breaks=True),
    "arm_pressed": Contact(18, HOLDING, 4096, 14),
    "feeds_open": Contact(18, HOLDING, 4098, 0),
    "bays_open": Contact(18, HOLDING, 4098, 15, breaks=True),
    "earth_ok": Contact(3, COIL, 77),
    "hood_ok": Contact(3, COIL, 79, breaks=True),
    "part_output_live": Contact(3, DISCRETE, 5),
    "level_ok": Contact(3, INPUT, 12, 5, breaks=True),
    "flow_ok": Contact(3, INPUT, 12, 6),
    "thermal_ok": Contact(3, INPUT, 12, 7, breaks=True),
}
METERS: Mapping[str, Shown] = {
    "bay_v": Shown(19, INPUT, 300, "I", "DCBA", lambda v: round(v * 1000)),
    "bay_dc_v": Shown(19, INPUT, 302, "i", "CDAB", lambda v: round(v * 1000)),
    "load_a": Shown(19, INPUT, 304, "f", "BADC", lambda a: a * 1000),
    "supply_v": Shown(19, INPUT, 306, "I", "BADC", lambda v: round(v * 100)),
    "supply_2_v": Shown(19, INPUT, 308, "H", "AB", lambda v: round(v * 100)),
    "power_w": Shown(19, INPUT, 310, "i", "ABCD", lambda w: round(w * 100)),
    "frequency_hz": Shown(19, INPUT, 320, "h", "BA", lambda f: round((f - 60) * 100)),
    "second_leakage_ma": Shown(7, HOLDING, 40, "i", "DCBA", lambda ma: round(ma * 1e6)),
    "second_leakage_resistive_ma": Shown(7, HOLDING, 42, "f", "CDAB", lambda ma: ma * 1e3),
    "second_leakage_capacitive_ma": Shown(7, HOLDING, 44, "i", "BADC", lambda ma: round(ma * 1e6)),
    "injection_ma": Shown(7, INPUT, 90, "f", "DCBA", lambda ma: ma * 1e3),
    "temperature_c": Shown(7, INPUT, 100, "h", "BA", lambda c: round(c * 18)),  # 0.1 °F above 32
    "conductivity_ms_cm": Shown(7, INPUT, 101, "H", "BA", lambda ms: round(ms * 1000) + 100),
}
LOAD_STATUS, SECOND_STATUS = (19, HOLDING, 9), (7, HOLDING, 58)
RESIDUAL = ("leakage_dc_ma", "leakage_resistive_ma", "leakage_capacitive_ma", "leakage_ma")
PRINTED = {  # function and what a value of the quantity is multiplied by
    "resistance_ohm": ("RESISTANCE", 1e-3),
    "insulation_mohm": ("INSULATION", 1e3),
    "bond_ohm": ("BOND", 1e3),
}


def registers(shown: Shown, value: float) -> list[int]:
    """The value as registers, its bytes where the letters of the order say."""
    raw = struct.pack(">" + shown.code, shown.counts(value))
    wired = bytes(raw["ABCD".index(letter)] for letter in shown.order)
    return list(struct.unpack(f">{len(wired) // 2}H", wired))


def engineering(value: float) -> str:
    """Mantissa from 1 to 999 and an exponent in steps of three."""
    power = 3 * math.floor(math.log10(abs(value)) / 3) if abs(value) >= 1e-9 else -9
    return f"{value / 10.0**power:+.4f}E{power:+03d}"


class Rack:
    """The Modbus units by number, on whichever server they are."""

    def __init__(self, servers: Mapping[int, Any]) -> None:
        self.units = {unit: server.add_slave(unit) for unit, server in servers.items()}
        self._add(17, COIL, 0, 1000)
        self._add(17, HOLDING, HOLD_REGISTER, 1)
        self._add(18, COIL, 1, 4)
        self._add(18, COIL, TIMER_COIL, 1)
        self._add(18, HOLDING, 7000, 10)
        self._add(18, HOLDING, 8000, 8)
        for unit, table, address, count in (
            *((c.unit, c.table, c.address, 1) for c in CONTACTS.values()),
            *((m.unit, m.table, m.address, len(m.order) // 2) for m in METERS.values()),
            *((*where, 1) for where in (LOAD_STATUS, SECOND_STATUS)),
        ):
            self._add(unit, table, address, count)

    def _add(self, unit: int, table: int, address: int, count: int) -> None:
        """Blocks of their own: a request that spans two of them is refused with exception 2."""
        name = f"{table} {address}"
        if name not in self.units[unit]._blocks:
            self.units[unit].add_block(name, table, address, count)

    def put(self, unit: int, table: int, address: int, values: Sequence[int]) -> None:
        self.units[unit].set_values(f"{table} {address}", address, values)

    def drop(self, coil: int) -> None:
        """Switch one coil of the relay board off, whatever is being written beside it."""
        self.units[17].set_values(f"{COIL} 0", coil, [0])

    def coils(self, unit: int) -> dict[int, int]:
        first, count = (0, 1000) if unit == 17 else (1, 4)
        cells = self.units[unit].get_values(f"{COIL} {first}", first, count)
        return dict(enumerate(cells, first))


@dataclass
class ForeignBench:
    """``pinned`` and ``pinned_inputs`` are shown instead of the plant's. Touch the plant only while
    holding ``lock``. ``changes``: when (monotonic) the bus went live or dead."""

    kind: str
    plant: Plant
    rack: Rack
    path: Path
    lock: threading.RLock = field(default_factory=threading.RLock)
    pinned: dict[str, float] = field(default_factory=dict)
    pinned_inputs: dict[str, bool] = field(default_factory=dict)
    load_status: int = 0
    second_status: int = 0
    changes: list[tuple[float, bool]] = field(default_factory=list)
    held_until_s: float = 0.0
    ticks: int = 0
    failed: list[BaseException] = field(default_factory=list)
    _toggled: int = -1
    _ticked_s: float = field(default_factory=time.monotonic)
    _stopped: threading.Event = field(default_factory=threading.Event)

    # ---- what the wires do -----------------------------------------------------------------------

    def heard(self, about: tuple[Any, bytes]) -> None:
        """A write that reached a unit: only the watchdog's own concerns anybody here."""
        slave, pdu = about
        address, value = struct.unpack(">HH", pdu[1:5])
        if self.kind == "C" and slave is self.rack.units[17] and address == HOLD_REGISTER:
            self.held_until_s = time.monotonic() + value / 1000.0
        if self.kind == "F" and slave is self.rack.units[18] and address == TIMER_COIL:
            if value != self._toggled:
                self.held_until_s = time.monotonic() + TIMER_S
            self._toggled = value

    def residual(self) -> str:
        """The SCPI meter's answer: DC, resistive, capacitive, r.m.s., in A."""
        values = self._values()
        return ",".join(engineering(values[name] / 1000.0) for name in RESIDUAL)

    def _values(self) -> dict[str, float]:
        with self.lock:
            return {**self.plant.values(), **self.pinned}

    # ---- the plant's own time --------------------------------------------------------------------

    def run(self) -> None:
        try:
            while not self._stopped.wait(TICK_S):
                self._tick(time.monotonic())
        except BaseException as fault:
            self.failed.append(fault)

    def stop(self) -> None:
        self._stopped.set()

    def settled(self) -> None:
        """Wait until what is on the wires has reached the plant and the other way round."""
        until, limit_s = self.ticks + 2, time.monotonic() + 5.0
        while self.ticks < until and not self.failed and time.monotonic() < limit_s:
            time.sleep(TICK_S / 2)
        assert self.ticks >= until, self.failed

    def _tick(self, now_s: float) -> None:
        with self.lock:
            self._switch(now_s)
            self.plant.step(min(max(now_s - self._ticked_s, 0.0), 0.5))
            self._ticked_s = now_s
            if self.plant.live != (bool(self.changes) and self.changes[-1][1]):
                self.changes.append((now_s, self.plant.live))
            self._show()
        self.ticks += 1

    def _switch(self, now_s: float) -> None:
        held = now_s <= self.held_until_s
        if self.kind == "C" and not held:  # the board itself: its coils read off afterwards
            for name in HELD:
                self.rack.drop(RELAYS[name].coil)
        cells = {unit: self.rack.coils(unit) for unit in (17, 18)}
        for name, relay in RELAYS.items():
            on = bool(cells[relay.unit][relay.coil]) is not relay.resting
            # kind F: a timer in series with the relays; the board goes on saying that they are on
            self.plant.set_output(name, on and (held or name not in HELD))

    def _show(self) -> None:
        inputs = {**self.plant.inputs(), **self.pinned_inputs}
        words: dict[tuple[int, int, int], int] = {}
        for name, at in CONTACTS.items():
            where = (at.unit, at.table, at.address)
            words[where] = words.get(where, 0) | (inputs[name] is not at.breaks) << at.bit
        words[LOAD_STATUS], words[SECOND_STATUS] = self.load_status, self.second_status
        for (unit, table, address), word in words.items():
            self.rack.put(unit, table, address, [word])
        values = self._values()
        for name, shown in METERS.items():
            self.rack.put(shown.unit, shown.table, shown.address, registers(shown, values[name]))

    # ---- the printing meter ----------------------------------------------------------------------

    def lines(self) -> list[str]:
        """What the meter prints now: the newest value of each function that it has."""
        with self.lock:
            dead = {
                **self.plant.meters.dead_tests,
                **{n: self.pinned[n] for n in PRINTED if n in self.pinned},
            }
        printed = []
        for name, value in dead.items():
            function, factor = PRINTED[name]
            number = f"{value * factor:.6G}" if math.isfinite(value) else "OVER"
            printed.append(f"{self.ticks:05d};{function};{number};OK")
        return printed

    def print_to(self, descriptor: int) -> None:
        """Print every half second, with words in between that are no reading."""
        while not self._stopped.wait(0.5):
            for line in ("BATTERY GOOD", *self.lines()):
                with contextlib.suppress(BlockingIOError):  # nobody listens
                    os.write(descriptor, line.encode() + b"\r")


class ScpiHandler(socketserver.StreamRequestHandler):
    """One connection to the residual current meter."""

    disable_nagle_algorithm = True

    def handle(self) -> None:
        for line in self.rfile:
            assert isinstance(self.server, ScpiServer)
            bench = self.server.bench
            replies = {"*IDN?": "NOBODY,RESIDUAL CURRENT,0815,2.0", "FETC:ALL?": bench.residual()}
            reply = replies.get(line.decode("ascii").strip().upper())
            if reply is not None:
                self.wfile.write(reply.encode("ascii") + b"\r\n")


class ScpiServer(socketserver.ThreadingTCPServer):
    """The residual current meter's socket; ``bench`` is whom it asks."""

    daemon_threads = True
    bench: ForeignBench
    allow_reuse_address = True


@contextmanager
def _bus() -> Iterator[tuple[str, modbus_rtu.RtuServer]]:
    with (
        pty_pair() as (far, path),
        pty_pair() as (other, theirs),
        bridged(far, other),
        serial.Serial(theirs, 115200) as port,
    ):
        yield path, modbus_rtu.RtuServer(port, error_on_missing_slave=False)


@contextmanager
def _started(server: Any, wake: Callable[[], None] = lambda: None) -> Iterator[None]:
    """``wake`` lets a server that sleeps for a second see earlier that it was told to stop."""
    server.start()
    try:
        yield
    finally:
        knock = threading.Timer(0.05, wake)
        knock.start()
        server.stop()
        knock.join()


@contextmanager
def _thread(run: Callable[..., None], end: Callable[[], None], *args: object) -> Iterator[None]:
    thread = threading.Thread(target=run, args=args)
    thread.start()
    try:
        yield
    finally:
        end()
        thread.join()


@contextmanager
def _heard(kind: str, listener: Callable[[Any], None]) -> Iterator[None]:
    hooks.install_hook(WRITES[kind], listener)
    try:
        yield
    finally:
        hooks.uninstall_hook(WRITES[kind], listener)


def _bench_file(path: Path, kind: str, **words: object) -> None:
    text = TEMPLATE.read_text("utf-8").replace("@KIND@", kind)
    today = date.today()
    dates = {"TODAY": today, "DUE": today + timedelta(days=90), "WATCHDOG": WATCHDOGS[kind]}
    for name, value in {**words, **dates}.items():
        text = text.replace(f"@{name}@", str(value))
    path.write_text(text, "utf-8")


def _filled(rack: Rack, kind: str, token: bytes) -> None:
    rack.put(18, HOLDING, 7000, struct.unpack(">10H", IDENTITY))
    rack.put(18, HOLDING, 8000, struct.unpack(">8H", token))
    if kind == "F":  # a small board: it knows function 5 only
        del rack.units[17]._fn_code_map[defines.WRITE_MULTIPLE_COILS]


@contextmanager
def foreign_bench(kind: str, folder: Path) -> Iterator[ForeignBench]:
    """A running bench with watchdog ``kind`` and the bench file that describes it."""
    with contextlib.ExitStack() as stack:
        bus, rtu = stack.enter_context(_bus())
        tcp_port = free_port()
        tcp = modbus_tcp.TcpServer(port=tcp_port, address="127.0.0.1", timeout_in_sec=0.2)
        scpi = stack.enter_context(ScpiServer(("127.0.0.1", 0), ScpiHandler))
        far, dead = stack.enter_context(pty_pair())
        os.set_blocking(far, False)
        rack, token = Rack({17: rtu, 18: rtu, 19: rtu, 3: tcp, 7: tcp}), secrets.token_bytes(16)
        _filled(rack, kind, token)
        path = folder / f"foreign-{kind}.toml"
        scpi_port = scpi.server_address[1]
        _bench_file(
            path, kind, TOKEN=token.hex(), BUS=bus, GATEWAY=tcp_port, RESIDUAL=scpi_port, DEAD=dead
        )
        scpi.bench = bench = ForeignBench(kind, Plant(load(), seed=7), rack, path)
        stack.enter_context(_heard(kind, bench.heard))
        stack.enter_context(_thread(bench.run, bench.stop))
        stack.enter_context(_thread(bench.print_to, bench.stop, far))
        stack.enter_context(_thread(scpi.serve_forever, scpi.shutdown, 0.05))
        stack.enter_context(_started(rtu))
        stack.enter_context(_started(tcp, lambda: listening(tcp_port)))
        listening(tcp_port)
        bench.settled()
        yield bench
        assert not bench.failed, bench.failed
