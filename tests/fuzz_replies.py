"""Replies as no instrument should send them, through the real stations and lines, without the wires.

Only the bytes are replaced: where a line would wait for and take bytes, it gets the next of a drawn
reply's pieces. What a wire then accepts is judged here a second time, with a CRC and frame rules of
our own: an accepted reply that does not answer its request is as bad as a traceback.
"""

from __future__ import annotations

import math
import random
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise

from drivers import modbus
from drivers.described import (
    DeviceSpec,
    InputSpec,
    LineSpec,
    OutputSpec,
    PrintedReading,
    QuerySpec,
    ScpiReading,
)
from drivers.errors import DriverError, Refused
from drivers.lines import SerialLine, TcpLine
from drivers.modbus_station import ModbusStation
from drivers.modbus_wire import Wire
from drivers.printed import PrintedStation
from drivers.roles import Quality, Reading
from drivers.scpi import ScpiLine, ScpiStation
from tests.drivers.peers import TickClock, bench, reading

Peer = Callable[[bytes], list[bytes]]
DEVICE = DeviceSpec("meter", "line", unit=1, latency_s=0.001, deadline_s=0.01)


class Accepted(AssertionError):
    """A reply was taken that answers nothing."""


# ---- damage ----------------------------------------------------------------------------------------


def damaged(rng: random.Random, good: bytes) -> bytes:
    """One to three changes of a reply, of any size."""
    data = bytearray(good)
    for _ in range(rng.randint(1, 3)):
        data = rng.choice(DAMAGES)(rng, data)
    return bytes(data)


def _flip(rng: random.Random, data: bytearray) -> bytearray:
    if data:
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    return data


def _byte(rng: random.Random, data: bytearray) -> bytearray:
    if data:
        data[rng.randrange(len(data))] = rng.choice((0, 0xFF, 0x80, 0x0A, 0x0D, rng.randrange(256)))
    return data


def _cut(rng: random.Random, data: bytearray) -> bytearray:
    return data[: rng.randrange(len(data) + 1)]


def _hole(rng: random.Random, data: bytearray) -> bytearray:
    at = rng.randrange(len(data) + 1)
    return data[:at] + data[at + rng.randint(1, 3) :]


def _more(rng: random.Random, data: bytearray) -> bytearray:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.randbytes(rng.choice((1, 2, 7, 300))) + data[at:]


def _twice(_rng: random.Random, data: bytearray) -> bytearray:
    return data + data


def _noise(rng: random.Random, _data: bytearray) -> bytearray:
    return bytearray(rng.randbytes(rng.choice((0, 1, 5, 9, 40, 5000))))


DAMAGES: tuple[Callable[[random.Random, bytearray], bytearray], ...]
DAMAGES = (_flip, _flip, _byte, _byte, _cut, _hole, _more, _twice, _noise)


def pieces(rng: random.Random, data: bytes) -> list[bytes]:
    """The same bytes as they may arrive: in up to four pieces."""
    cuts = sorted(rng.randrange(len(data) + 1) for _ in range(rng.randrange(4)))
    edges = [0, *cuts, len(data)]
    return [data[a:b] for a, b in pairwise(edges) if data[a:b]]


# ---- lines without wires ---------------------------------------------------------------------------


@dataclass
class Bytes:
    """What has been sent and what is to come."""

    peer: Peer
    coming: list[bytes] = field(default_factory=list)
    sent: bytes = b""
    delivered: bytes = b""

    def send(self, data: bytes) -> None:
        self.coming = self.peer(data)
        self.sent, self.delivered = data, b"".join(self.coming)

    def take(self) -> bytes:
        return self.coming.pop(0)


class MemorySerial(SerialLine):
    """A serial line whose bytes come from ``Bytes``."""

    def __init__(self, spec: LineSpec, bytes_: Bytes) -> None:
        super().__init__(spec, quiet_s=0.0)
        self.bytes = bytes_

    def open(self) -> None:
        self.dirty = False

    def _send(self, data: bytes, end_s: float) -> None:
        self.bytes.send(data)

    def _wait(self, end_s: float) -> bool:
        return bool(self.bytes.coming)

    def _take(self) -> bytes:
        return self.bytes.take()


class MemoryTcp(TcpLine):
    """A TCP line whose bytes come from ``Bytes``; a new socket has nothing pending."""

    def __init__(self, spec: LineSpec, bytes_: Bytes) -> None:
        super().__init__(spec)
        self.bytes = bytes_

    def open(self) -> None:
        self.dirty, self.bytes.coming = False, []

    def clean(self) -> None:
        self.open()

    def _send(self, data: bytes) -> None:
        self.bytes.send(data)

    def _wait(self, end_s: float) -> bool:
        return bool(self.bytes.coming)

    def _take(self) -> bytes:
        return self.bytes.take()


class MemorySession:
    """In place of a VISA session and the socket below it."""

    def __init__(self, bytes_: Bytes) -> None:
        self.bytes = bytes_

    def close(self) -> None: ...

    def send(self, data: bytes, _flags: int = 0) -> int:
        self.bytes.send(data)
        return len(data)

    def recv(self, _most: int) -> bytes:
        return self.bytes.take()


class MemoryScpi(ScpiLine):
    """A SCPI session over ``Bytes``; a new session has nothing pending."""

    def __init__(self, spec: LineSpec, bytes_: Bytes) -> None:
        super().__init__(spec, 0.01)
        self.bytes = bytes_

    def _connect(self) -> None:
        self._visa = self._interface = MemorySession(self.bytes)
        self.bytes.coming, self.dirty = [], False

    def _readable(self, end_s: float) -> bool:
        return bool(self.bytes.coming)


# ---- Modbus: what a reply must be, written down a second time ------------------------------------------


def crc(data: bytes) -> bytes:
    """CRC-16, polynomial A001 reflected, start FFFF, low byte first (serial line V1.02, 6.2.2)."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return value.to_bytes(2, "little")


def good_pdu(rng: random.Random, pdu: bytes) -> bytes:
    """What a healthy device answers to a request's PDU."""
    function, count = pdu[0], int.from_bytes(pdu[3:5], "big")
    if function in (1, 2):
        return bytes((function, (count + 7) // 8)) + rng.randbytes((count + 7) // 8)
    if function in (3, 4):
        return bytes((function, 2 * count)) + rng.randbytes(2 * count)
    return pdu[:5]


def answers(asked: bytes, pdu: bytes) -> bool:
    """Whether a PDU is a normal reply to the PDU that was asked."""
    function, count = asked[0], int.from_bytes(asked[3:5], "big")
    if function > 4:
        return pdu == asked[:5]
    length = (count + 7) // 8 if function < 3 else 2 * count
    return pdu[:2] == bytes((function, length)) and len(pdu) == 2 + length


def _other_pdu(rng: random.Random, asked: bytes) -> bytes:
    """A whole and well-framed reply to something else, or an exception."""
    function = rng.choice((1, 2, 3, 4, 5, 6, 15, 16, asked[0] | 0x80, rng.randrange(256)))
    if rng.random() < 0.5:
        return bytes((asked[0] | 0x80, rng.choice((1, 2, 3, 4, 6, 10, 200))))
    return bytes((function, *rng.randbytes(rng.choice((1, 4, 5, 20)))))


def rtu_reply(rng: random.Random, request: bytes) -> bytes:
    """A drawn reply to an RTU frame: one in five is good, one in five well-framed but wrong."""
    unit, asked, kind = request[:1], request[1:-2], rng.randrange(5)
    if kind == 1:
        wrong = bytes((rng.choice((request[0], rng.randrange(256))),)) + _other_pdu(rng, asked)
        return wrong + crc(wrong)
    body = unit + good_pdu(rng, asked)
    if kind == 2:  # damaged before it was framed
        body = damaged(rng, body)
    frame = body + crc(body)
    return frame if kind in (0, 2) else damaged(rng, rng.choice((frame, frame, request)))


def mbap_reply(rng: random.Random, request: bytes) -> bytes:
    """The same for an MBAP frame, with wrong transactions and lengths besides."""
    head, asked, kind = request[:7], request[7:], rng.randrange(5)
    pdu = _other_pdu(rng, asked) if kind == 1 else good_pdu(rng, asked)
    if kind == 2:
        pdu = damaged(rng, pdu)
    frame = head[:4] + (len(pdu) + 1).to_bytes(2, "big")[-2:] + head[6:7] + pdu
    if kind == 3:
        at = rng.randrange(7)
        return frame[:at] + rng.randbytes(1) + frame[at + 1 :]
    return damaged(rng, rng.choice((frame, frame, request))) if kind == 4 else frame


class Judged:
    """A wire whose answers are judged before they are passed on."""

    def __init__(self, wire: Wire, bytes_: Bytes) -> None:
        self.wire, self.bytes = wire, bytes_
        self.numbered, self.quiet_s = wire.numbered, wire.quiet_s
        self.line = wire.line
        self.taken = self.refused = 0

    def open(self) -> None:
        self.wire.open()

    def carry(self, where: str, request: modbus.Request, deadline_s: float) -> bytes:
        self.bytes.sent = self.bytes.delivered = b""
        try:
            pdu = self.wire.carry(where, request, deadline_s)
        except Refused:
            self.refused += 1
            self._judge(
                bytes((request.function | 0x80,)) + self._payload()[1:2], request, refused=True
            )
            raise
        except DriverError:
            self.refused += 1
            raise
        self.taken += 1
        self._judge(pdu, request)
        return pdu

    def _payload(self) -> bytes:
        return self.bytes.delivered[7 if self.numbered else 1 :]

    def _judge(self, pdu: bytes, request: modbus.Request, refused: bool = False) -> None:
        sent, got = self.bytes.sent, self.bytes.delivered
        if self.numbered:
            frame = sent[:4] + (len(pdu) + 1).to_bytes(2, "big") + sent[6:7] + pdu
        else:
            body = sent[:1] + pdu
            frame = body + crc(body)
        if not got.startswith(frame) or not (refused or answers(request.pdu, pdu)):
            raise Accepted(f"{got[:40].hex(' ')} was taken as the reply to {request}")


# ---- the four kinds ----------------------------------------------------------------------------------


def _modbus_station(kind: str, bytes_: Bytes) -> tuple[ModbusStation, Judged]:
    line = LineSpec("line", "rtu" if kind == "rtu" else "modbus-tcp", port="none", host="none")
    encodings = ("uint16", "int16", "int32", "uint32", "float32")
    values = [reading(f"r{n}", 3 * n, encoding=one) for n, one in enumerate(encodings)]
    flags = [InputSpec(f"i{n}", "meter", "discrete", n) for n in range(11)]
    coils = [OutputSpec(f"o{n}", "meter", coil=n) for n in range(10)]
    station = ModbusStation(bench(line, [DEVICE], coils, flags, values), line, TickClock())
    station._wire.line = (  # type: ignore[misc]
        MemorySerial(line, bytes_) if kind == "rtu" else MemoryTcp(line, bytes_)
    )
    judged = Judged(station._wire, bytes_)
    station._wire = judged
    return station, judged


def modbus_replies(kind: str, rng: random.Random, count: int) -> Iterator[str]:
    """``count`` replies to whatever a station asks; yields how each was taken."""
    draw = rtu_reply if kind == "rtu" else mbap_reply
    bytes_ = Bytes(lambda request: pieces(rng, draw(rng, request)))
    station, judged = _modbus_station(kind, bytes_)
    clock = station._clock
    deeds: tuple[Callable[[], object], ...] = (
        station.poll,
        station.poll,
        station.read_back,
        station.beat,
        lambda: station.write({f"o{n}": rng.random() < 0.5 for n in range(10)}),
        lambda: station.read_holding("meter", rng.randrange(100), rng.randint(1, 20)),
    )
    while judged.taken + judged.refused < count:
        clock.spent(1.0)
        before = judged.taken, judged.refused
        try:
            rng.choice(deeds)()
        except DriverError as exc:
            _clear(exc)
        _only_numbers(station.readings.values())
        yield from ["taken"] * (judged.taken - before[0])
        yield from ["refused"] * (judged.refused - before[1])


def _clear(exc: DriverError) -> None:
    words = str(exc)
    if not exc.where or not exc.what or "\n" in words or len(words) > 400:
        raise AssertionError(f"unclear: {words!r}")


def _only_numbers(readings: Iterable[Reading]) -> None:
    for one in readings:
        if one.quality is Quality.GOOD and not math.isfinite(one.value):
            raise Accepted(f"{one} is no number")


NUMBERS = ("0.25", "-1.5E-3", "9.91E37", "9.9E37", "nan", "inf", "-inf", "1_0", "0x10", "1e999", "")
REPLY = r"([^,]+),([^,]+)"


def scpi_replies(rng: random.Random, count: int) -> Iterator[str]:
    """``count`` replies to a SCPI meter's question, identification after each fault included."""

    def peer(request: bytes) -> list[bytes]:
        if b"*IDN?" in request:
            idn = b"INVENTED,METER,1,1"
            return pieces(rng, (damaged(rng, idn) if rng.random() < 0.1 else idn) + b"\n")
        good = f"{rng.choice(NUMBERS)},{rng.choice(NUMBERS)}\n".encode()
        return pieces(rng, good if rng.random() < 0.2 else damaged(rng, good))

    line = LineSpec("line", "scpi-tcp", host="none", tcp_port=1)
    device = DeviceSpec("meter", "line", queries={"q": QuerySpec("q", "READ?", REPLY, 0.1)})
    specs = [_scpi_reading("leakage_ma", 1), _scpi_reading("other_ma", 2)]
    station = ScpiStation(bench(line, [device], readings=specs), line, TickClock())
    bytes_ = Bytes(peer)
    station._line = MemoryScpi(line, bytes_)
    for _ in range(count):
        if station._line._visa is None or isinstance(station.fault, DriverError):
            _reopen(station)
        station._clock.spent(1.0)
        at_s = station._clock.now_s()
        station.poll()
        if station.fault is not None:
            _clear(station.fault)
        fresh = [one for one in station.readings.values() if one.taken_s >= at_s]
        _only_numbers(fresh)
        first = bytes_.delivered.partition(b"\n")[0]  # what comes later spoils the next question
        if fresh and not re.fullmatch(REPLY, first.decode("latin-1")):
            raise Accepted(f"{bytes_.delivered[:60]!r} was taken as a reply")
        yield "taken" if fresh else "refused"


def _reopen(station: ScpiStation) -> None:
    """As the rig would after a lost line; the identification may be damaged, too."""
    for _ in range(20):
        try:
            station.open()
        except DriverError as exc:
            _clear(exc)
        else:
            return


def _scpi_reading(name: str, group: int) -> ScpiReading:
    return ScpiReading(name, "meter", "mA", "q", group, 1.0, 0.0, 0.0, 30.0)


class _Printing:
    """In place of the serial line of a printing meter."""

    def __init__(self) -> None:
        self.data = b""

    def arrived(self) -> bytes:
        data, self.data = self.data, b""
        return data


def printed_replies(rng: random.Random, count: int) -> Iterator[str]:
    """``count`` printed lines; one that no pattern takes leaves no reading."""
    line = LineSpec("line", "printed", port="none", terminator="\n")
    spec = PrintedReading("bond_ohm", "meter", "ohm", r"B\s+([^ ]+) ohm", 1, 1.0, 0.0, 0.0, 20.0)
    device = DeviceSpec("meter", "line")
    station = PrintedStation(bench(line, [device], readings=[spec]), line, TickClock())
    wire = _Printing()
    station._line = wire  # type: ignore[assignment]
    station._cutter.feed(b"\n")
    for _ in range(count):
        good = f"B  {rng.choice(NUMBERS)} ohm\r\n".encode()
        sent = good if rng.random() < 0.2 else damaged(rng, good)
        station.readings.clear()
        for piece in pieces(rng, sent):
            wire.data = piece
            station.poll()
        _only_numbers(station.readings.values())
        text = sent.decode("ascii", "replace")
        if station.readings and not re.search(r"(^|\n)B\s+[^ ]+ ohm\r*\n", text):
            raise Accepted(f"{sent[:60]!r} was taken as a reading")
        yield "taken" if station.readings else "refused"
        station._cutter.feed(b"\n")  # the next one begins a new line
