"""Benches described for the tests, and small peers that were told how to misbehave."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager

from drivers.described import (
    BenchSpec,
    DeviceSpec,
    InputSpec,
    LineSpec,
    ModbusReading,
    OutputSpec,
    ReadingSpec,
    WatchdogSpec,
    WaveformSpec,
)


class TickClock:
    """Control time that moves only when told to or when a transaction's cost is charged."""

    def __init__(self) -> None:
        self.t_s = 0.0
        self.costs: list[float] = []

    def now_s(self) -> float:
        return self.t_s

    def spent(self, cost_s: float) -> None:
        self.costs.append(cost_s)
        self.t_s += cost_s

    def sleep_until(self, t_s: float) -> None:
        self.t_s = max(self.t_s, t_s)


def bench(
    line: LineSpec,
    devices: Sequence[DeviceSpec],
    outputs: Sequence[OutputSpec] = (),
    inputs: Sequence[InputSpec] = (),
    readings: Sequence[ReadingSpec] = (),
    watchdog: WatchdogSpec | None = None,
    waveform: WaveformSpec | None = None,
) -> BenchSpec:
    return BenchSpec(
        lines={line.name: line},
        devices={one.name: one for one in devices},
        outputs={one.name: one for one in outputs},
        inputs={one.name: one for one in inputs},
        readings={one.name: one for one in readings},
        watchdog=watchdog or WatchdogSpec("B", devices[0].name, 100, 1.0),
        waveform=waveform,
    )


def reading(name: str, address: int, **changes: object) -> ModbusReading:
    words: dict[str, object] = {
        "device": "meter",
        "unit": "V",
        "table": "input",
        "encoding": "uint16",
        "order": "ABCD",
        "scale": 1.0,
        "offset": 0.0,
        "period_s": 0.2,
        "low": -1e9,
        "high": 1e9,
    }
    return ModbusReading(name=name, address=address, **{**words, **changes})  # type: ignore[arg-type]


@contextmanager
def pty_pair() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: descriptor of its far end, path of its near end, raw both ways."""
    far, near = os.openpty()
    tty.setraw(near)
    try:
        yield far, os.ttyname(near)
    finally:
        os.close(near)
        os.close(far)


@contextmanager
def bridged(one: int, two: int) -> Iterator[None]:
    """Two pseudo-terminals' far ends wired together: what goes into one comes out of the other."""
    stop_read, stop_write = os.pipe()

    def pump() -> None:
        while stop_read not in (ready := select.select([one, two, stop_read], [], [])[0]):
            for end in ready:
                os.write(two if end == one else one, os.read(end, 512))

    thread = threading.Thread(target=pump)
    thread.start()
    try:
        yield
    finally:
        os.write(stop_write, b"x")
        thread.join()
        os.close(stop_read)
        os.close(stop_write)


@contextmanager
def pty_peer(answer: Callable[[bytes], Iterable[bytes]]) -> Iterator[str]:
    """A device on a pseudo-terminal: each request that arrives is answered with ``answer``'s pieces."""
    with pty_pair() as (far, path):
        stop_read, stop_write = os.pipe()
        thread = threading.Thread(target=_serve, args=(far, stop_read, answer))
        thread.start()
        try:
            yield path
        finally:
            os.write(stop_write, b"x")
            thread.join()
            os.close(stop_read)
            os.close(stop_write)


def _serve(far: int, stop: int, answer: Callable[[bytes], Iterable[bytes]]) -> None:
    while True:
        ready = select.select([far, stop], [], [])[0]
        if stop in ready:
            return
        for piece in answer(os.read(far, 512)):
            os.write(far, piece)


def free_port() -> int:
    """A TCP port that was free a moment ago."""
    with socket.create_server(("127.0.0.1", 0)) as one:
        return int(one.getsockname()[1])


def listening(port: int) -> None:
    """Wait until the server's own thread accepts connections."""
    end_s = time.monotonic() + 5.0
    while time.monotonic() < end_s:
        with contextlib.suppress(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", port)).close()
            return
