"""The bench as a process: real ports, an independent Modbus client, lockstep, its end.

``mbpoll`` (Debian package) is a Modbus client that nobody here wrote.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from pymodbus.framer import FramerRTU

from drivers.errors import LineLost, PortUnavailable, Refused
from drivers.virtual.process import Options, launch
from drivers.virtual.remote import LockstepClock, RemoteBench

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="the virtual bench needs Linux pseudo-terminals"
)
needs_mbpoll = pytest.mark.skipif(
    shutil.which("mbpoll") is None and os.environ.get("CI") != "true",
    reason="mbpoll is not installed (Debian: apt install mbpoll)",
)


@pytest.fixture(scope="module")
def bench_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("virtual") / "bench.toml"


@pytest.fixture(scope="module")
def said(bench_file: Path) -> Iterator[dict[str, Any]]:
    with launch(Options(bench_out=bench_file)) as words:
        yield words


def connect(said: dict[str, Any]) -> RemoteBench:
    host, port = said["control"].split(":")
    return RemoteBench(host, int(port))


@pytest.fixture
def remote(said: dict[str, Any]) -> Iterator[RemoteBench]:
    bench = connect(said)
    yield bench
    bench.close()


def mbpoll(*words: str) -> str:
    """Its output; fails when it reports an error."""
    done = subprocess.run(
        ["mbpoll", *words], capture_output=True, text=True, timeout=20, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def values(output: str) -> dict[int, str]:
    found = re.findall(r"^\[(\d+)\]:\s+(\S+)", output, re.MULTILINE)
    return {int(address): value for address, value in found}


def rtu(said: dict[str, Any], *words: str) -> str:
    line = ("-m", "rtu", "-a", "1", "-b", "115200", "-P", "none", "-0", "-1")
    return mbpoll(*line, *words[:-1], said["relays_pty"], *words[-1].split())


def tcp(said: dict[str, Any], unit: int, *words: str) -> str:
    port = said["modbus_tcp"].split(":")[1]
    return mbpoll("-m", "tcp", "-a", str(unit), "-p", port, "-0", "-1", *words, "127.0.0.1")


@needs_mbpoll
def test_mbpoll_reads_and_writes_every_coil_over_rtu(said: dict[str, Any]) -> None:
    assert set(values(rtu(said, "-t", "0", "-r", "0", "-c", "50", "")).values()) == {"0"}
    harmless = [32, 33, 34, 8, 9]  # aids and bays
    for coil in harmless:
        rtu(said, "-t", "0", "-r", str(coil), "1")
    read = values(rtu(said, "-t", "0", "-r", "0", "-c", "50", ""))
    assert [coil for coil in range(50) if read[coil] == "1"] == sorted(harmless)
    rtu(said, "-t", "0", "-r", "0", " ".join(["0"] * 50))
    assert set(values(rtu(said, "-t", "0", "-r", "0", "-c", "50", "")).values()) == {"0"}


@needs_mbpoll
def test_mbpoll_beats_and_reads_the_token_over_rtu(said: dict[str, Any]) -> None:
    rtu(said, "-t", "4", "-r", "100", "4711")
    assert values(rtu(said, "-t", "4", "-r", "100", "")) == {100: "4711"}
    words = values(rtu(said, "-t", "4:hex", "-r", "200", "-c", "8", ""))
    token = "".join(words[address][2:].lower() for address in range(200, 208))
    assert token == said["token"]


@needs_mbpoll
def test_mbpoll_reads_everything_over_tcp(said: dict[str, Any], remote: RemoteBench) -> None:
    remote.advance(1.0)
    inputs = values(tcp(said, 1, "-t", "1", "-r", "0", "-c", "15"))
    assert inputs[0] == inputs[1] == inputs[2] == inputs[5] == "1"
    assert len(inputs) == 15
    volts = values(tcp(said, 2, "-t", "3:float", "-B", "-r", "0", "-c", "2"))
    assert all(float(value) == pytest.approx(120.0, abs=3.0) for value in volts.values())
    assert values(tcp(said, 2, "-t", "3", "-r", "4"))[4].startswith(("599", "600"))
    assert len(values(tcp(said, 2, "-t", "3", "-r", "0", "-c", "30"))) == 30


@needs_mbpoll
def test_mbpoll_is_told_illegal_address_and_gets_silence_from_a_stranger(
    said: dict[str, Any],
) -> None:
    with pytest.raises(AssertionError, match="Illegal data address"):
        rtu(said, "-t", "0", "-r", "51", "")
    line = ("-m", "rtu", "-a", "9", "-b", "115200", "-P", "none", "-0", "-1", "-o", "0.2")
    with pytest.raises(AssertionError, match="timed out"):
        mbpoll(*line, "-t", "0", "-r", "0", said["relays_pty"])


def test_scpi_over_a_socket(said: dict[str, Any]) -> None:
    host, port = said["scpi"].split(":")
    with socket.create_connection((host, int(port)), timeout=5) as link:
        link.sendall(b"*IDN?\n")
        assert link.recv(200).endswith(b"\n")
        link.sendall(b"MEAS:LEAK?\n")
        assert len(link.recv(200).split(b",")) == 4


def test_printing_meter_prints_twice_a_second_of_simulated_time(
    said: dict[str, Any], remote: RemoteBench
) -> None:
    def coil(address: int, on: bool) -> None:
        frame = bytes([1, 5, 0, address, 0xFF if on else 0, 0])
        check = FramerRTU.compute_CRC(frame).to_bytes(2, "big")
        with serial.Serial(said["relays_pty"], 115200, timeout=2) as line:
            line.write(frame + check)
            assert line.read(8) == frame + check

    def beat(value: int) -> None:
        frame = bytes([1, 6, 0, 100, 0, value])
        with serial.Serial(said["relays_pty"], 115200, timeout=2) as line:
            line.write(frame + FramerRTU.compute_CRC(frame).to_bytes(2, "big"))
            assert len(line.read(8)) == 8

    remote.hands("lid", closed=False)
    remote.hands("mount", bay=1, serial="HT55-8001")
    remote.hands("lid", closed=True)
    coil(8, True)
    with serial.Serial(said["meter_pty"], 115200, timeout=0.5) as meter:
        meter.reset_input_buffer()
        beat(1)
        coil(25, True)
        for n in range(20):
            beat(2 + n)
            remote.advance(0.1)
        coil(25, False)
        lines = meter.read(400).decode().splitlines()
    coil(8, False)
    remote.hands("unmount", bay=1)
    assert 3 <= len(lines) <= 4
    for line in lines:
        found = re.fullmatch(r"R (\S+) ohm", line)
        assert found
        assert float(found[1]) == pytest.approx(10.47, rel=0.011)


def test_lockstep_clock(remote: RemoteBench) -> None:
    clock = LockstepClock(remote)
    start_s = clock.now_s()
    clock.spent(0.02)
    assert clock.now_s() == pytest.approx(start_s + 0.02)
    clock.sleep_until(start_s + 0.1)
    assert clock.now_s() == pytest.approx(start_s + 0.1, abs=1e-6)
    clock.spent(0.3)
    clock.sleep_until(start_s + 0.2)  # overrun: what was spent still passes on the bench
    assert clock.now_s() == pytest.approx(start_s + 0.4, abs=1e-6)
    assert remote.advance(0.0) == pytest.approx(start_s + 0.4, abs=1e-6)


def test_lockstep_then_free_run_in_wall_time(remote: RemoteBench) -> None:
    before_s = remote.advance(0.0)
    time.sleep(0.5)
    assert float(remote.account()["t_s"]) == pytest.approx(before_s, abs=1e-6)
    time.sleep(1.7)
    assert 0.3 < float(remote.account()["t_s"]) - before_s < 2.2


def test_refusals_come_back_in_words(remote: RemoteBench) -> None:
    with pytest.raises(Refused, match="no part"):
        remote.hands("mount", bay=1, serial="nobody's")


def test_bench_file_fits(said: dict[str, Any], bench_file: Path) -> None:
    import tomllib

    bench = tomllib.loads(bench_file.read_text(encoding="utf-8"))
    assert bench["virtual"]["token"] == said["token"]
    assert bench["virtual"]["control"] == said["control"]
    assert bench["lines"]["relays"]["port"] == said["relays_pty"]
    assert bench["lines"]["leakage"]["tcp_port"] == int(said["scpi"].split(":")[1])


def test_ends_with_its_input_and_says_why_it_cannot_start(tmp_path: Path) -> None:
    with launch(Options()) as words:
        bench = connect(words)
        bench.advance(0.1)
    with pytest.raises(LineLost):
        bench.advance(0.0)
    bench.close()
    with (
        pytest.raises(PortUnavailable, match=r"nowhere\.toml"),
        launch(Options(scenario=tmp_path / "nowhere.toml")),
    ):
        pass


def test_elsewhere_it_is_refused_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drivers.virtual.ptys.sys.platform", "darwin")
    with pytest.raises(PortUnavailable, match="needs Linux"), launch(Options()):
        pass


def test_watchdog_over_the_wires_opens_the_contactors(said: dict[str, Any]) -> None:
    """Heartbeat over RTU, contactor fed back over TCP, time from the control channel."""
    from pymodbus.client import ModbusSerialClient, ModbusTcpClient

    bench = connect(said)
    host, port = said["modbus_tcp"].split(":")
    relays = ModbusSerialClient(said["relays_pty"], baudrate=115200, timeout=2)
    panel = ModbusTcpClient(host, port=int(port))

    def open_now() -> bool:
        return bool(panel.read_discrete_inputs(0, count=1, device_id=1).bits[0])

    try:
        relays.write_register(100, 8001, device_id=1)
        relays.write_coil(0, True, device_id=1)
        bench.advance(0.5)
        assert not open_now()
        relays.write_register(100, 8002, device_id=1)
        bench.advance(0.9)
        assert not open_now()
        bench.advance(0.3)
        assert open_now()
        assert not relays.read_coils(0, count=1, device_id=1).bits[0]
    finally:
        relays.close()  # type: ignore[no-untyped-call]
        panel.close()  # type: ignore[no-untyped-call]
        bench.close()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_ends_on_a_signal_and_runs_without_standard_input(number: int) -> None:
    root = Path(__file__).parents[3]
    process = subprocess.Popen(
        [sys.executable, "-m", "drivers.virtual", "--real-time"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        cwd=root,
    )
    try:
        assert process.stdout
        words = json.loads(process.stdout.readline())
        bench = connect(words)
        with pytest.raises(Refused, match="real time"):
            bench.advance(0.1)
        bench.close()
        process.send_signal(number)
        assert process.wait(10) == 0
    finally:
        process.kill()
        process.wait()
        if process.stdout:
            process.stdout.close()
