"""The SCPI station against a small server of socketserver's, and against a bare pseudo-terminal."""

from __future__ import annotations

import re
import socket
import socketserver
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from drivers.described import BenchSpec, DeviceSpec, LineSpec, QuerySpec, ScpiReading, WatchdogSpec
from drivers.errors import DriverError, Garbled, LineLost, PortUnavailable, Silent, WrongDevice
from drivers.roles import Quality
from drivers.scpi import ScpiStation
from tests.drivers.peers import TickClock, pty_peer

IDN = "EXAMPLE,LEAKAGE METER,7,1.0"
Answer = Callable[[str], bytes | None]


class Meter(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = False
    answer: Answer
    sessions = 0


class Handler(socketserver.StreamRequestHandler):
    def handle(self) -> None:
        assert isinstance(self.server, Meter)
        self.server.sessions += 1
        for line in self.rfile:
            reply = self.server.answer(line.decode().strip())
            if reply is None:
                return
            self.wfile.write(reply)


@contextmanager
def meter(answer: Answer) -> Iterator[tuple[LineSpec, Meter]]:
    with Meter(("127.0.0.1", 0), Handler) as server:
        server.answer = answer
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield (
                LineSpec("line", "scpi-tcp", host="127.0.0.1", tcp_port=server.server_address[1]),
                server,
            )
        finally:
            server.shutdown()
            thread.join()


def described(
    line: LineSpec, identify: str = "EXAMPLE,LEAKAGE METER,.*", ask_s: float | None = None
) -> BenchSpec:
    query = QuerySpec("leakage", "MEAS:LEAK?", "([^,]+),([^,]+)", 0.2, ask_s)
    device = DeviceSpec(
        "meter",
        line.name,
        latency_s=0.01,
        deadline_s=0.3,
        identify=identify,
        queries={"leakage": query},
    )
    readings = {
        name: ScpiReading(name, "meter", "mA", "leakage", group, scale, 0.0, -30.0, 30.0)
        for name, group, scale in (("rms", 1, 1.0), ("dc", 2, 1000.0))
    }
    watchdog = WatchdogSpec("B", "elsewhere", 100, 1.0)
    return BenchSpec({line.name: line}, {"meter": device}, {}, {}, readings, watchdog)


@contextmanager
def station_on(
    line: LineSpec, clock: TickClock | None = None, ask_s: float | None = None
) -> Iterator[ScpiStation]:
    station = ScpiStation(described(line, ask_s=ask_s), line, clock or TickClock())
    station.open()
    try:
        yield station
    finally:
        station.close()


def healthy(command: str) -> bytes:
    return {"*IDN?": IDN, "MEAS:LEAK?": "1.25,2.0E-3"}[command].encode() + b"\n"


def test_it_identifies_and_measures() -> None:
    clock = TickClock()
    with meter(healthy) as (line, _), station_on(line, clock) as station:
        assert station.identify() == {"meter": IDN}
        station.poll()
        assert station.fault is None
        assert (station.readings["rms"].value, station.readings["dc"].value) == (1.25, 2.0)
        assert clock.costs == [0.01]
        assert station.readings["rms"].taken_s == clock.t_s
        station.poll()  # not due
        assert clock.costs == [0.01]


def test_asked_more_often_than_it_measures_a_sample_counts_once() -> None:
    clock, replies = TickClock(), iter(("1.0,0", "1.0,0", "1.0,0", "2.0,0", "2.0,0", "2.0,0"))

    def answer(command: str) -> bytes:
        return (IDN if command == "*IDN?" else next(replies)).encode() + b"\n"

    with meter(answer) as (line, _), station_on(line, clock, ask_s=0.05) as station:
        taken = []
        for _ in range(6):  # 0.05 s apart, with the meter's 0.01 s each
            station.poll()
            taken.append((station.readings["rms"].value, station.readings["rms"].taken_s))
            clock.t_s += 0.05
        assert len({t_s for _, t_s in taken}) == 2
        assert taken[0] == taken[1] == taken[2]
        assert taken[3] == taken[4] == taken[5]
        assert (taken[0][0], taken[3][0]) == (1.0, 2.0)


def test_the_same_digits_after_the_meters_period_are_a_new_sample() -> None:
    clock = TickClock()
    with meter(healthy) as (line, _), station_on(line, clock, ask_s=0.1) as station:
        taken = []
        for _ in range(8):
            station.poll()
            taken.append(station.readings["rms"].taken_s)
            clock.t_s += 0.09
        assert len(set(taken)) == 4  # one in 0.2 s


def test_another_instrument_is_refused() -> None:
    with meter(healthy) as (line, _):
        station = ScpiStation(described(line, identify="OTHER,.*"), line, TickClock())
        station.open()
        try:
            with pytest.raises(WrongDevice, match="EXAMPLE"):
                station.identify()
        finally:
            station.close()


BAD: dict[str, tuple[bytes, type[DriverError]]] = {
    "silence": (b"", Silent),
    "no end": (b"1.25,2", Garbled),
    "two lines": (b"1.25,2\n9,9\n", Garbled),
    "too few": (b"1.25\n", Garbled),
    "not ASCII": (b"1.25,\xff\n", Garbled),
    "empty": (b"\n", Garbled),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_reply_is_a_fault_and_a_new_session_clears_it(name: str) -> None:
    reply, error = BAD[name]
    bad = [True]

    def answer(command: str) -> bytes:
        return reply if bad[0] and command != "*IDN?" else healthy(command)

    with meter(answer) as (line, server), station_on(line) as station:
        before = server.sessions
        station.poll()
        assert type(station.fault) is error
        assert station.readings == {}
        bad[0] = False
        station.poll()
        assert station.fault is None
        assert station.readings["rms"].value == 1.25
        assert server.sessions > before


def test_values_that_are_no_numbers_are_invalid() -> None:
    def answer(command: str) -> bytes:
        return b"9.91E37,0.5\n" if command != "*IDN?" else healthy(command)

    with meter(answer) as (line, _), station_on(line) as station:
        station.poll()
        assert station.readings["rms"].quality is Quality.INVALID
        assert station.readings["dc"].quality is Quality.OVER_RANGE


def test_a_late_reply_is_never_the_answer_to_the_next_question() -> None:
    asked = [0]

    def answer(command: str) -> bytes:
        if command == "*IDN?":
            return healthy(command)
        asked[0] += 1
        number = asked[0]
        if number == 1:
            time.sleep(0.45)  # deadline 0.3 s
        return f"{number},0\n".encode()

    with meter(answer) as (line, _), station_on(line) as station:
        station.poll()
        assert type(station.fault) is Silent
        time.sleep(0.3)
        station.poll()
        assert station.fault is None
        assert station.readings["rms"].value == asked[0] == 2


def test_a_peer_that_leaves_is_lost_at_once_and_not_reopened() -> None:
    gone = [True]

    def answer(command: str) -> bytes | None:
        return None if gone[0] and command != "*IDN?" else healthy(command)

    with meter(answer) as (line, server), station_on(line) as station:
        started_s = time.monotonic()
        station.poll()
        assert type(station.fault) is LineLost
        gone[0] = False
        sessions = server.sessions
        station.poll()
        assert type(station.fault) is LineLost
        assert server.sessions == sessions
        assert time.monotonic() - started_s < 5.0
        station.open()
        station.poll()
        assert station.fault is None


def test_an_instrument_that_changed_its_name_is_not_believed() -> None:
    names = iter([IDN, "OTHER,METER,1,1"])

    def answer(command: str) -> bytes:
        return b"" if command != "*IDN?" else next(names).encode() + b"\n"

    with meter(answer) as (line, _), station_on(line) as station:
        station.poll()
        assert type(station.fault) is Silent
        station.poll()
        assert type(station.fault) is WrongDevice
        assert station.readings == {}


def test_nobody_listening_is_refused_with_words() -> None:
    with socket.create_server(("127.0.0.1", 0)) as one:
        port = one.getsockname()[1]
    line = LineSpec("line", "scpi-tcp", host="127.0.0.1", tcp_port=port)
    with pytest.raises(PortUnavailable, match="connection refused"):
        ScpiStation(described(line), line, TickClock()).open()


def test_over_a_serial_port() -> None:
    def answer(data: bytes) -> tuple[bytes, ...]:
        return tuple(healthy(one) for one in re.findall("[^\n]+", data.decode()))

    with pty_peer(answer) as path:
        line = LineSpec("line", "scpi-serial", port=path, baud=9600)
        with station_on(line) as station:
            assert station.identify() == {"meter": IDN}
            station.poll()
            assert station.fault is None
            assert station.readings["dc"].value == 2.0
            with pytest.raises(PortUnavailable, match="held by another program"):
                ScpiStation(described(line), line, TickClock()).open()


def test_a_silent_serial_instrument_and_a_missing_port() -> None:
    quiet = [False]

    def answer(data: bytes) -> tuple[bytes, ...]:
        return () if quiet[0] else (healthy(data.decode().strip()),)

    with (
        pty_peer(answer) as path,
        station_on(LineSpec("line", "scpi-serial", port=path)) as station,
    ):
        quiet[0] = True
        station.poll()
        assert type(station.fault) is Silent
    line = LineSpec("line", "scpi-serial", port="/dev/no-such-port")
    with pytest.raises(PortUnavailable, match="no such port"):
        ScpiStation(described(line), line, TickClock()).open()
