"""Broken definite-length blocks through the real SCPI station, judged by a reader of our own."""

from __future__ import annotations

import random
import re
import struct
from collections.abc import Iterator

import numpy as np

from drivers.described import ChannelSpec, DeviceSpec, LineSpec, WaveformSpec
from drivers.errors import DriverError
from drivers.roles import Capture, Quality
from drivers.scpi import ScpiStation
from tests.drivers.peers import TickClock, bench
from tests.fuzz_replies import Accepted, Bytes, MemoryScpi, _clear, _reopen, damaged, pieces

POINTS = 6
TOLD = WaveformSpec(
    "meter",
    "WAVE?",
    1000.0,
    POINTS,
    "float32",
    "normal",
    {
        "leakage": ChannelSpec("leakage", 1, "mA", 1.0, 0.0, -30.0, 30.0),
        "supply": ChannelSpec("supply", 2, "V", 1.0, 0.0, -300.0, 300.0),
    },
)


def _good(rng: random.Random) -> bytes:
    """Two blocks with lengths of any legal number of digits."""
    blocks = []
    for _ in TOLD.channels:
        body = struct.pack(f">{POINTS}f", *(rng.uniform(-20.0, 20.0) for _ in range(POINTS)))
        digits = rng.randint(2, 6)
        blocks.append(f"#{digits}{len(body):0{digits}d}".encode() + body)
    return b",".join(blocks) + b"\n"


def _drawn(rng: random.Random) -> bytes:
    """A reply: one in four is good, some have only the head damaged, some are no blocks."""
    good, kind = _good(rng), rng.randrange(8)
    if kind < 2:
        return good
    if kind < 5:  # the head is where the length stands
        return damaged(rng, good[:9]) + good[9:]
    if kind == 5:
        return rng.choice((b"#0" + good[4:], b"1.25,0.5\n", b"#", b"\n", b"#9999999999" + good))
    return damaged(rng, good)


def read_again(reply: bytes) -> tuple[bytes, bytes] | None:
    """Both blocks' bytes by a pattern; None when the reply does not begin with exactly two blocks.

    What comes later spoils the next question, not this answer.
    """
    found = []
    for end in (b",", b"\n"):
        head = re.match(rb"#([1-9])", reply)
        digits = reply[2 : 2 + int(head[1])] if head else b""
        if head is None or len(digits) < int(head[1]) or not re.fullmatch(rb"[0-9]+", digits):
            return None
        start = 2 + len(digits)
        stop = start + int(digits)
        if reply[stop : stop + 1] != end:
            return None
        found.append(reply[start:stop])
        reply = reply[stop + 1 :]
    return found[0], found[1]


def _judge(capture: Capture, delivered: bytes) -> None:
    bodies = read_again(delivered)
    if bodies is None or {len(body) for body in bodies} != {4 * POINTS}:
        raise Accepted(f"{delivered[:60]!r} was taken as two blocks")
    for wave, body in zip(capture.waves.values(), bodies, strict=True):
        values = np.array(struct.unpack(f">{POINTS}f", body))
        if not np.array_equal(wave.samples, values, equal_nan=True):
            raise Accepted(f"{delivered[:60]!r} was taken as {wave}")
        if wave.quality is Quality.GOOD and not bool(np.isfinite(values).all()):
            raise Accepted(f"{wave} has samples that are no numbers")


def block_replies(rng: random.Random, count: int) -> Iterator[str]:
    """``count`` replies to a meter's question for waveforms."""

    def peer(request: bytes) -> list[bytes]:
        reply = b"INVENTED,METER,1,1\n" if b"*IDN?" in request else _drawn(rng)
        return pieces(rng, reply)

    line = LineSpec("line", "scpi-tcp", host="none", tcp_port=1)
    spec = bench(line, [DeviceSpec("meter", "line")], waveform=TOLD)
    station = ScpiStation(spec, line, TickClock())
    bytes_ = Bytes(peer)
    station._line = MemoryScpi(line, bytes_)
    for _ in range(count):
        if station._line._visa is None or isinstance(station.fault, DriverError):
            _reopen(station)
        station.capture = None
        station.want_capture()
        station.poll()
        if station.fault is not None:
            _clear(station.fault)
        if station.capture is not None:
            _judge(station.capture, bytes_.delivered)
        yield "refused" if station.capture is None else "taken"
