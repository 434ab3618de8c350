"""The other side of ``scan_cost.py``: noted transactions once more, in the barest loops there are."""

from __future__ import annotations

import os
import select
import socket
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial
from typing import Any, NamedTuple

from pymodbus.client import ModbusTcpClient

from rig.bench_file import Bench

Call = Callable[[], object]


class Sent(NamedTuple):
    """One transaction as noted: bytes for Modbus and the control channel, words for SCPI."""

    line: str
    kind: str
    request: Any
    reply: Any


@dataclass(slots=True)
class Bare:
    """Seconds and number of a round's transactions, by line."""

    total_s: float = 0.0
    line_s: dict[str, float] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)


def stock_call(client: ModbusTcpClient, frame: bytes) -> Call:
    """The stock client's call that sends this MBAP frame's request."""
    unit, function = frame[6], frame[7]
    address, count = int.from_bytes(frame[8:10], "big"), int.from_bytes(frame[10:12], "big")
    reads: dict[int, Callable[..., object]] = {
        1: client.read_coils,
        2: client.read_discrete_inputs,
        3: client.read_holding_registers,
        4: client.read_input_registers,
    }
    return partial(reads[function], address, count=count, device_id=unit)


def raw_exchange(descriptor: int, request: bytes, due: int) -> bytes:
    """A select loop over a raw port, until ``due`` bytes have come."""
    os.write(descriptor, request)
    reply = b""
    while len(reply) < due:
        if not select.select([descriptor], [], [], 5.0)[0]:
            raise TimeoutError("no reply")
        reply += os.read(descriptor, 256)
    return reply


def socket_exchange(connection: socket.socket, request: bytes) -> bytes:
    """A bare socket: one line out, one line in."""
    connection.sendall(request)
    reply = connection.recv(4096)
    while not reply.endswith(b"\n"):
        reply += connection.recv(4096)
    return reply


@dataclass(slots=True)
class Bares:
    """Every port of a bench once more; ``calls`` turns a noted transaction into a ready call."""

    calls: dict[str, Callable[[Sent], Call]]

    def replay(self, sent: Sequence[Sent]) -> Bare:
        """The same transactions in the same order. What is prepared beforehand is not timed."""
        ready = [(one.line, self.calls[one.line](one)) for one in sent]
        bare = Bare()
        seconds = dict.fromkeys(self.calls, 0.0)
        clock = time.perf_counter
        start_s = before_s = clock()
        for line, call in ready:
            call()
            now_s = clock()
            seconds[line] += now_s - before_s
            before_s = now_s
        bare.total_s = before_s - start_s
        for line, _ in ready:
            bare.line_s[line] = seconds[line]
            bare.counts[line] = bare.counts.get(line, 0) + 1
        return bare


def _socket(stack: ExitStack, host: str, port: int) -> socket.socket:
    connection = stack.enter_context(socket.create_connection((host, port), timeout=5.0))
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return connection


@contextmanager
def bare_loops(bench: Bench) -> Iterator[Bares]:
    """Open each line of a virtual bench a second time, next to the stations."""
    calls: dict[str, Callable[[Sent], Call]] = {}
    with ExitStack() as stack:
        for name, line in bench.spec.lines.items():
            if line.kind == "rtu":
                calls[name] = _rtu(stack, line.port)
            elif line.kind == "modbus-tcp":
                calls[name] = _modbus_tcp(stack, line.host, line.tcp_port)
            elif line.kind == "scpi-tcp":
                calls[name] = _scpi(_socket(stack, line.host, line.tcp_port))
        assert bench.virtual is not None
        host, _, port = bench.virtual.control.rpartition(":")
        calls["control"] = _control(_socket(stack, host, int(port)))
        yield Bares(calls)


def _rtu(stack: ExitStack, path: str) -> Callable[[Sent], Call]:
    port = os.open(path, os.O_RDWR | os.O_NOCTTY)
    stack.callback(os.close, port)
    return lambda one: partial(raw_exchange, port, one.request, len(one.reply))


def _modbus_tcp(stack: ExitStack, host: str, port: int) -> Callable[[Sent], Call]:
    client = ModbusTcpClient(host, port=port)
    stack.callback(client.close)
    if not client.connect():  # type: ignore[no-untyped-call]
        raise ConnectionError(f"{host}:{port}")
    return lambda one: stock_call(client, one.request)


def _scpi(connection: socket.socket) -> Callable[[Sent], Call]:
    return lambda one: partial(socket_exchange, connection, one.request.encode() + b"\n")


def _control(connection: socket.socket) -> Callable[[Sent], Call]:
    return lambda one: partial(socket_exchange, connection, one.request)
