"""Bus faults: what a line between controller and bench can do wrong, each only where it can happen.

A line that is silent, echoes or refuses does not carry out what it hears; where only the reply is
spoilt the request was carried out. The bus may be live for 1.5 s with them: within 1.0 s of the last
beat the relay board's watchdog drops out, and half a second is left for finding out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from random import Random
from typing import NamedTuple

from pymodbus.framer import FramerRTU

from drivers.virtual.fault import Begin, Fault, Kind, Number, Scene, Undo
from drivers.virtual.names import COILS, CONTACTORS
from drivers.virtual.registers import Device, DeviceFailure
from drivers.virtual.wires import WIRES, Feed, Interposed, Later, Protocols, Wire

CUT_OFF_S = 1.5  # the watchdog's 1.0 s and 0.5 s for finding out
HIGHEST_UNIT = 247
OTHER_FUNCTION = {1: 2, 2: 1, 3: 4, 4: 3, 5: 6, 6: 5, 15: 16, 16: 15}


class Exchange(NamedTuple):
    """Something heard on a faulty line, on its way to the codec."""

    wire: Wire
    fault: Fault
    rng: Random
    feed: Feed
    data: bytes
    later: Later


Spoil = Callable[[Exchange], bytes]
Change = Callable[[Exchange, bytes], bytes]


def _silent(x: Exchange) -> bytes:
    return b"" if x.fault.strike() else x.feed(x.data)


def silent_unit(unit: int | None, still: Callable[[], bool]) -> Spoil:
    """Nothing gets through to one Modbus TCP unit (None: to anything) while ``still`` says so."""

    def spoil(x: Exchange) -> bytes:
        meant = unit is None or x.data[6:7] == bytes([unit])
        return _silent(x) if meant and still() else x.feed(x.data)

    return spoil


def _late(x: Exchange) -> bytes:
    reply = x.feed(x.data)
    if not reply or not x.fault.strike():
        return reply
    x.later(x.fault.how["delay_s"], reply)
    return b""


def _echo(x: Exchange) -> bytes:
    """RTU: the adapter echoes, the board behind it is dead. SCPI: the command comes before its reply."""
    if not x.fault.strike():
        return x.feed(x.data)
    return x.data if x.wire.protocol == "rtu" else x.data + x.feed(x.data)


def _reply(change: Change) -> Spoil:
    def spoil(x: Exchange) -> bytes:
        reply = x.feed(x.data)
        return change(x, reply) if reply and x.fault.strike() else reply

    return spoil


def _half(x: Exchange, reply: bytes) -> bytes:
    return reply[: len(reply) // 2]


def _bad_crc(x: Exchange, reply: bytes) -> bytes:
    return reply[:-1] + bytes([reply[-1] ^ 0xFF])


def _babble(x: Exchange, reply: bytes) -> bytes:
    noise = x.rng.randbytes(len(reply))
    return noise if x.wire.protocol in ("rtu", "tcp") else noise[:-1] + b"\n"


def _byte(at: int, change: Callable[[int], int]) -> Change:
    """Change the byte at ``at`` of the part that unit id begins; the frame is right otherwise."""

    def changed(x: Exchange, reply: bytes) -> bytes:
        start, end = (0, len(reply) - 2) if x.wire.protocol == "rtu" else (6, len(reply))
        body = bytearray(reply[start:end])
        body[at] = change(body[at])
        if x.wire.protocol == "tcp":
            return reply[:6] + bytes(body)
        return bytes(body) + FramerRTU.compute_CRC(bytes(body)).to_bytes(2, "big")

    return changed


def _other_unit(unit: int) -> int:
    return unit % HIGHEST_UNIT + 1


def _other_function(function: int) -> int:
    return OTHER_FUNCTION.get(function & 0x7F, 1) | function & 0x80


# ---- how each begins ---------------------------------------------------------------------------------


def hang(scene: Scene, wire: Wire, fault: Fault, spoil: Spoil) -> Undo:
    """Let ``spoil`` stand between port and codec."""

    def carry(feed: Feed, data: bytes, later: Later) -> bytes:
        return spoil(Exchange(wire, fault, scene.rng, feed, data, later))

    wire.add(carry)
    return lambda: wire.remove(carry)


def _carried(spoil: Spoil) -> Begin:
    return lambda scene, fault: hang(scene, scene.wires[fault.where], fault, spoil)


def _refusing(scene: Scene, fault: Fault) -> Undo:
    wire = scene.wires[fault.where]

    def admit() -> None:
        if fault.strike():
            raise DeviceFailure

    def wrap(device: Device) -> Device:
        return Interposed(device, admit=admit)

    wire.wrap(wrap)
    return lambda: wire.unwrap(wrap)


def _half_writing(scene: Scene, fault: Fault) -> Undo:
    """Time counts against it only from when it swallows that a contactor shall open."""
    wire, fault.counting = scene.wires[fault.where], False
    contactors = {COILS[name] for name in CONTACTORS}

    def trim(start: int, states: Sequence[bool]) -> Sequence[bool]:
        if len(states) < 2 or not fault.strike():
            return states
        done = len(states) // 2
        lost = {start + n for n in range(done, len(states)) if not states[n]}
        fault.counting = fault.counting or bool(lost & contactors)
        return states[:done]

    def wrap(device: Device) -> Device:
        return Interposed(device, trim=trim)

    wire.wrap(wrap)
    return lambda: wire.unwrap(wrap)


def _vanishing(scene: Scene, fault: Fault) -> Undo:
    port = scene.wires[fault.where].port
    assert port is not None
    port.vanish()
    return port.restore


def _resetting(scene: Scene, fault: Fault) -> Undo:
    port = scene.wires[fault.where].port
    assert port is not None
    port.reset()
    fault.strike()
    fault.over = True
    return lambda: None


def _kind(
    words: str,
    begin: Begin,
    protocols: tuple[Protocols, ...],
    takes: Mapping[str, Number] | None = None,
    lies: bool = True,
) -> Kind:
    where = tuple(name for name, protocol in WIRES.items() if protocol in protocols)
    allowed = {name: CUT_OFF_S for name in where if WIRES[name] != "printed"}
    return Kind("bus", words, where, begin, lies, allowed, {}, takes or {})


BUS: Mapping[str, Kind] = {
    "silence": _kind(
        "a line answers nothing more",
        _carried(_silent),
        ("rtu", "tcp", "scpi", "printed"),
        lies=False,
    ),
    "late": _kind(
        "replies come after their deadline",
        _carried(_late),
        ("rtu", "tcp", "scpi"),
        {"delay_s": Number(1.2, 0.0, 10.0)},  # wall time; deadlines are stretched in lockstep
    ),
    "truncated": _kind(
        "replies end in the middle", _carried(_reply(_half)), ("rtu", "tcp", "scpi", "printed")
    ),
    "crc": _kind("replies come with a wrong checksum", _carried(_reply(_bad_crc)), ("rtu",)),
    "wrong_unit": _kind(
        "another unit answers", _carried(_reply(_byte(0, _other_unit))), ("rtu", "tcp")
    ),
    "wrong_function": _kind(
        "replies answer another function",
        _carried(_reply(_byte(1, _other_function))),
        ("rtu", "tcp"),
    ),
    "exception": _kind("a device refuses each request", _refusing, ("rtu", "tcp"), lies=False),
    "echo": _kind("the line sends back what was sent", _carried(_echo), ("rtu", "scpi")),
    "garbage": _kind(
        "the line babbles", _carried(_reply(_babble)), ("rtu", "tcp", "scpi", "printed")
    ),
    "half_write": _kind("a write switches only the first half", _half_writing, ("rtu",)),
    "vanish": _kind("a port is gone", _vanishing, ("rtu", "tcp", "scpi", "printed"), lies=False),
    "reset": _kind("the connections are reset once", _resetting, ("tcp", "scpi"), lies=False),
}
