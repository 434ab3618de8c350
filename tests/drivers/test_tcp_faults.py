"""Each way a TCP line can fail, over a real loopback socket with a misbehaving peer."""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from drivers.described import InputSpec, LineSpec
from drivers.errors import (
    DriverError,
    Garbled,
    LineLost,
    PortUnavailable,
    Refused,
    Silent,
    WrongReply,
)
from drivers.modbus_station import ModbusStation
from tests.drivers.answers import DEVICE, OUTPUT, station_on, words
from tests.drivers.peers import TickClock, bench, reading


@contextmanager
def tcp(answer: Callable[[bytes], bytes | None]) -> Iterator[tuple[LineSpec, list[int]]]:
    """A server on loopback; ``answer`` None resets the connection. Gives the line and a count of
    connections in a list of one."""
    server = socket.create_server(("127.0.0.1", 0))
    connections = [0]
    thread = threading.Thread(target=_accept, args=(server, answer, connections))
    thread.start()
    try:
        port = server.getsockname()[1]
        yield LineSpec("line", "modbus-tcp", host="127.0.0.1", tcp_port=port), connections
    finally:
        server.shutdown(socket.SHUT_RDWR)
        server.close()
        thread.join()


def _accept(
    server: socket.socket, answer: Callable[[bytes], bytes | None], connections: list[int]
) -> None:
    while True:
        try:
            peer, _ = server.accept()
        except OSError:
            return
        connections[0] += 1
        with peer:
            while data := peer.recv(512):
                reply = answer(data)
                if reply is None:
                    linger = struct.pack("ii", 1, 0)
                    peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
                    break
                peer.sendall(reply)


def mbap(request: bytes, body: bytes) -> bytes:
    return request[:4] + len(body).to_bytes(2, "big") + body


TCP_FAULTS: dict[str, tuple[Callable[[bytes], bytes], type[DriverError]]] = {
    "silence": (lambda data: b"", Silent),
    "truncated": (lambda data: mbap(data, words(7))[:-1], Garbled),
    "transaction": (lambda data: b"\xee\xee" + mbap(data, words(7))[2:], WrongReply),
    "protocol": (lambda data: data[:2] + b"\0\1" + mbap(data, words(7))[4:], Garbled),
    "unit": (lambda data: mbap(data, b"\x09" + words(7)[1:]), WrongReply),
    "trailing": (lambda data: mbap(data, words(7)) * 2, Garbled),
    "garbage": (lambda data: b"HTTP/1.1 400 Bad Request\r\n\r\n", Garbled),
}


@pytest.mark.parametrize("name", TCP_FAULTS)
def test_a_tcp_fault_takes_a_new_socket_and_the_next_poll_is_good(name: str) -> None:
    misbehave, error = TCP_FAULTS[name]
    bad = [True]

    def answer(data: bytes) -> bytes:
        return misbehave(data) if bad[0] else mbap(data, words(7))

    with tcp(answer) as (line, connections), station_on(line, TickClock()) as station:
        station.poll()
        assert type(station.fault) is error
        assert station.readings == {}
        bad[0] = False
        station.poll()
        assert station.fault is None
        assert station.readings["volts"].value == 7.0
        assert connections == [2]


def test_an_exception_over_tcp_keeps_the_socket() -> None:
    refused = [True]

    def answer(data: bytes) -> bytes:
        return mbap(data, b"\x01\x84\x02" if refused[0] else words(7))

    with tcp(answer) as (line, connections), station_on(line, TickClock()) as station:
        station.poll()
        assert type(station.fault) is Refused
        refused[0] = False
        station.poll()
        assert station.fault is None
        assert connections == [1]


def test_tcp_bytes_that_nobody_asked_for_are_no_reply() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        line = LineSpec("line", "modbus-tcp", host="127.0.0.1", tcp_port=port)
        with station_on(line, TickClock()) as station:
            peer, _ = server.accept()
            with peer:
                peer.sendall(b"\0\1\0\0" + len(words(99)).to_bytes(2, "big") + words(99))
                station.poll()  # its first transaction has the number 1
                assert type(station.fault) is Garbled
                assert station.readings == {}


def test_switching_off_reopens_a_lost_line() -> None:
    written: list[bytes] = []
    reset = [True]

    def answer(data: bytes) -> bytes | None:
        if reset[0]:
            reset[0] = False
            return None
        if data[7] == 5:
            written.append(data[7:])
            return data
        return mbap(data, b"\x01\x01\x01\x00")

    with tcp(answer) as (line, _), station_on(line, TickClock(), OUTPUT) as station:
        station.make_safe()
        assert written == [b"\x05\x00\x04\x00\x00"]


def test_a_late_tcp_reply_never_meets_the_next_question() -> None:
    replies: list[bytes] = []

    def answer(data: bytes) -> bytes:
        replies.append(mbap(data, words(len(replies) + 1)))
        return replies[-2] if len(replies) > 1 else b""

    with tcp(answer) as (line, _), station_on(line, TickClock()) as station:
        for _ in range(6):
            station.poll()
            assert station.fault is not None
        assert station.readings == {}


def test_a_reset_connection_stays_lost_until_opened_again() -> None:
    reset = [True]

    def answer(data: bytes) -> bytes | None:
        return None if reset[0] else mbap(data, words(7))

    with tcp(answer) as (line, connections), station_on(line, TickClock()) as station:
        station.poll()
        assert type(station.fault) is LineLost
        reset[0] = False
        station.poll()
        assert type(station.fault) is LineLost
        assert connections == [1]  # reopening is the rig's decision, with the outputs off
        station.open()
        station.poll()
        assert station.fault is None


def test_nobody_listening_is_refused_with_words() -> None:
    with socket.create_server(("127.0.0.1", 0)) as one:
        port = one.getsockname()[1]
    line = LineSpec("line", "modbus-tcp", host="127.0.0.1", tcp_port=port)
    with pytest.raises(PortUnavailable, match="connection refused"):
        ModbusStation(bench(line, [DEVICE]), line, TickClock()).open()


def test_inputs_are_read_each_scan_and_readings_at_their_period() -> None:
    asked: list[int] = []

    def answer(data: bytes) -> bytes:
        asked.append(data[7])
        return mbap(data, words(7) if data[7] == 4 else b"\x01\x02\x01\x01")

    clock = TickClock()
    with tcp(answer) as (line, _):
        spec = bench(
            line, [DEVICE], [], [InputSpec("lid", "meter", "discrete", 0)], [reading("v", 3)]
        )
        station = ModbusStation(spec, line, clock)
        station.open()
        try:
            for scan in range(11):
                clock.sleep_until(0.1 * scan)
                station.poll()
        finally:
            station.close()
    assert (asked.count(2), asked.count(4)) == (11, 6)
