"""Each way a line can fail, over a real pseudo-terminal or loopback socket with a misbehaving peer."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest

from drivers.described import DeviceSpec, LineSpec, OutputSpec
from drivers.errors import (
    DriverError,
    Garbled,
    LineLost,
    NotAsWritten,
    PortUnavailable,
    Refused,
    Silent,
    WrongReply,
)
from drivers.modbus_station import ModbusStation
from tests.drivers.answers import DEVICE, NOBODY, OUTPUT, counted, framed, rtu, station_on, words
from tests.drivers.peers import TickClock, bench, pty_pair, pty_peer

BAD_REPLIES = {
    "silence": ((), Silent),
    "truncated": ((framed(words(7))[:4],), Garbled),
    "checksum": ((framed(words(7))[:-1] + b"\0",), Garbled),
    "unit": ((framed(b"\x02" + words(7)[1:]),), WrongReply),
    "function": ((framed(b"\x01\x03\x02\0\x07"),), WrongReply),
    "count": ((framed(words(7, 8)),), WrongReply),
    "exception": ((framed(b"\x01\x84\x04"),), Refused),
    "garbage": ((b"\xff\xfe\xfd\xfc\xfb\xfa",), Garbled),
    "trailing": ((framed(words(7)) + b"\0",), Garbled),
}


@pytest.mark.parametrize("name", BAD_REPLIES)
def test_a_bad_reply_is_a_fault_and_the_next_good_poll_clears_it(name: str) -> None:
    pieces, error = BAD_REPLIES[name]
    bad = [True]

    def answer(data: bytes) -> Sequence[bytes]:
        return pieces if bad[0] else (framed(words(*range(7, 7 + counted(data)))),)

    with rtu(answer) as station:
        station.poll()
        assert type(station.fault) is error
        assert station.readings == {}
        with pytest.raises(error):
            station.beat()  # the watchdog is on this line: no heartbeat while it has a fault
        bad[0] = False
        station.poll()
        assert station.fault is None
        assert station.readings["volts"].value == 7.0


def test_a_reply_in_pieces_is_taken() -> None:
    frame = framed(words(7))
    with rtu(lambda data: (frame[:1], frame[1:3], frame[3:])) as station:
        station.poll()
        assert station.fault is None
        assert station.readings["volts"].value == 7.0


def test_time_is_charged_as_declared() -> None:
    answers = iter(((framed(words(7)),), ()))
    with rtu(lambda data: next(answers)) as station:
        clock = station._clock
        assert isinstance(clock, TickClock)
        station.poll()
        assert clock.costs == [DEVICE.latency_s]
        assert station.readings["volts"].taken_s == clock.t_s
        clock.t_s += 1.0
        station.poll()
        assert clock.costs == [DEVICE.latency_s, DEVICE.deadline_s]


class Laggard:
    """A device that answers each request with the reply to the one before it, for ever."""

    def __init__(self) -> None:
        self.previous: bytes | None = None
        self.value = 0

    def __call__(self, data: bytes) -> Sequence[bytes]:
        self.value += 1
        late, self.previous = self.previous, framed(words(*[self.value] * counted(data)))
        return () if late is None else (late,)


def test_a_late_reply_is_never_taken_for_the_present_one() -> None:
    laggard = Laggard()
    with rtu(laggard) as station:
        for _ in range(12):
            station.poll()
            assert isinstance(station.fault, DriverError)
        assert station.readings == {}


def test_a_slow_device_that_answers_after_the_deadline_gives_no_wrong_value() -> None:
    """Its reply arrives while the line is being cleaned; the value of the second question differs."""
    asked: list[bytes] = []

    def answer(data: bytes) -> Sequence[bytes]:
        asked.append(data)
        if len(asked) == 1:
            time.sleep(0.25)  # deadline 0.15 s
        return (framed(words(*[len(asked)] * counted(data))),)

    with rtu(answer) as station:
        station.poll()
        assert isinstance(station.fault, Silent)
        station.poll()
        assert station.fault is None
        assert station.readings["volts"].value == len(asked)


def test_bytes_that_nobody_asked_for_spoil_the_next_exchange() -> None:
    """A whole stray frame that waits in the port would otherwise be the next answer."""

    def answer(data: bytes) -> Iterator[bytes]:
        yield framed(words(*[7] * counted(data)))
        time.sleep(0.05)
        yield framed(words(99))

    with rtu(answer) as station:
        station.poll()
        assert station.readings["volts"].value == 7.0
        time.sleep(0.3)  # the stray frame is waiting in the port by now
        station._clock.spent(1.0)
        station.poll()
        assert isinstance(station.fault, DriverError)
        for _ in range(3):  # another one follows each reply, sooner or later than the line is quiet
            assert station.readings["volts"].value == 7.0
            time.sleep(0.3)
            station._clock.spent(1.0)
            station.poll()


def test_an_echoing_adapter_is_refused_unless_configured() -> None:
    with pty_peer(lambda data: (data,)) as path:
        line = LineSpec("line", "rtu", port=path)
        with pytest.raises(PortUnavailable, match="echoes"):
            ModbusStation(bench(line, [DEVICE]), line, TickClock()).open()


def test_echo_that_is_configured_but_absent_is_refused() -> None:
    with pty_peer(lambda data: ()) as path:
        line = LineSpec("line", "rtu", port=path, echo=True)
        with pytest.raises(PortUnavailable, match="does not echo"):
            ModbusStation(bench(line, [DEVICE]), line, TickClock()).open()


def test_a_write_through_an_echoing_adapter_to_a_dead_board_fails() -> None:
    with pty_peer(lambda data: (data,)) as path:
        line = LineSpec("line", "rtu", port=path, echo=True)
        with station_on(line, TickClock(), OUTPUT) as station, pytest.raises(Silent):
            station.write({"relay": True})


def test_a_configured_echo_is_stripped() -> None:
    def answer(data: bytes) -> Sequence[bytes]:
        return (data,) if data == NOBODY else (data, framed(words(7)))

    with pty_peer(answer) as path:
        line = LineSpec("line", "rtu", port=path, echo=True)
        with station_on(line, TickClock()) as station:
            station.poll()
            assert station.fault is None
            assert station.readings["volts"].value == 7.0


def test_a_coil_that_does_not_follow_is_found_by_reading_back() -> None:
    def answer(data: bytes) -> Sequence[bytes]:
        return (data,) if data[1] == 5 else (framed(b"\x01\x01\x01\x00"),)

    with rtu(answer, OUTPUT) as station:
        station.write({"relay": False})
        with pytest.raises(NotAsWritten, match="coil 4"):
            station.write({"relay": True})
        with pytest.raises(Refused, match="nonesuch"):
            station.write({"nonesuch": True})


def test_switching_off_is_tried_twice_and_goes_on_to_the_next_device() -> None:
    seen: list[tuple[int, int]] = []

    def answer(data: bytes) -> Sequence[bytes]:
        seen.append((data[0], data[1]))
        if data[0] == 1:
            return ()
        return (data,) if data[1] == 5 else (framed(b"\x02\x01\x01\x00"),)

    other = DeviceSpec("other", "line", unit=2, deadline_s=0.5)
    outputs = [OutputSpec("relay", "meter", 4), OutputSpec("second", "other", 0)]
    with pty_peer(lambda data: () if data == NOBODY else answer(data)) as path:
        line = LineSpec("line", "rtu", port=path)
        station = ModbusStation(bench(line, [DEVICE, other], outputs), line, TickClock())
        station.open()
        try:
            with pytest.raises(Silent):
                station.make_safe()
        finally:
            station.close()
    assert seen == [(1, 5), (1, 5), (2, 5), (2, 1)]


def test_a_board_that_only_knows_single_writes_is_driven() -> None:
    coils = [0, 0]

    def answer(data: bytes) -> Sequence[bytes]:
        if data[1] == 15:
            return (framed(b"\x01\x8f\x01"),)
        if data[1] == 5:
            coils[data[3]] = int(data[4] == 0xFF)
            return (data,)
        return (framed(bytes((1, 1, 1, coils[0] | coils[1] << 1))),)

    with rtu(answer, [OutputSpec("p", "meter", 0), OutputSpec("q", "meter", 1)]) as station:
        station.write({"p": True, "q": True})
        assert coils == [1, 1]
        assert station.fault is None


def test_a_vanished_port_stays_lost_until_opened_again() -> None:
    far, near = os.openpty()
    path = os.ttyname(near)
    with station_on(LineSpec("line", "rtu", port=path), TickClock()) as station:
        os.close(near)
        os.close(far)
        station.poll()
        assert type(station.fault) is LineLost
        station.poll()
        assert type(station.fault) is LineLost
        with pytest.raises(LineLost):
            station.beat()


def test_a_missing_port_and_a_file_are_refused_with_words() -> None:
    for path, said in (("/dev/no-such-port", "no such port"), ("/dev/null", "not a serial port")):
        line = LineSpec("line", "rtu", port=path)
        with pytest.raises(PortUnavailable, match=said):
            ModbusStation(bench(line, [DEVICE]), line, TickClock()).open()


def test_a_port_locked_by_another_program_is_refused() -> None:
    with pty_pair() as (_, path):
        held = os.open(path, os.O_RDWR | os.O_NOCTTY)
        try:
            fcntl.flock(held, fcntl.LOCK_EX)
            line = LineSpec("line", "rtu", port=path)
            with pytest.raises(PortUnavailable, match="held by another program"):
                ModbusStation(bench(line, [DEVICE]), line, TickClock()).open()
        finally:
            os.close(held)


def test_a_line_that_is_only_written_to_is_asked_whether_it_is_well_again() -> None:
    """Nothing polls it, and its heartbeat waits for a line without a fault: one bad reply must not
    silence it for good."""
    bad = [True]

    def answer(data: bytes) -> Sequence[bytes]:
        if data[1] == 6:
            return (data[:-1] + b"\0",) if bad[0] else (data,)
        size = (counted(data) + 7) // 8
        return (framed(bytes((1, data[1], size, *bytes(size)))),)

    outputs = [OutputSpec("contactor_1", "meter", 0)]
    line = LineSpec("line", "rtu")
    with pty_peer(lambda data: () if data == NOBODY else answer(data)) as path:
        spec = bench(replace(line, port=path), [DEVICE], outputs)
        station = ModbusStation(spec, spec.lines["line"], TickClock())
        station.open()
        try:
            with pytest.raises(Garbled):
                station.beat()
            assert type(station.fault) is Garbled
            bad[0] = False
            station.poll()
            assert station.fault is None
            station.beat()
        finally:
            station.close()
