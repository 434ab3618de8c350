"""Opening a bench's stations, polling them in threads, listing ports."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import pytest

from drivers.described import BenchSpec, DeviceSpec, InputSpec, LineSpec, OutputSpec, WatchdogSpec
from drivers.errors import PortUnavailable
from drivers.modbus_station import ModbusStation, coil_runs, hold_ms
from drivers.polling import PollingThread
from drivers.ports import serial_ports
from drivers.printed import PrintedStation
from drivers.roles import RealClock, Station
from drivers.station import MAKERS, open_stations
from tests.drivers.peers import TickClock, bench, pty_pair
from tests.drivers.test_peers_modbus import described, tcp_server


def test_every_line_gets_its_station_and_a_failure_closes_all() -> None:
    with tcp_server() as (tcp, _), pty_pair() as (_, path):
        printed = LineSpec("ohms", "printed", port=path)
        meter = DeviceSpec("ohmmeter", "ohms")
        whole = described(tcp)
        spec = BenchSpec(
            {"line": tcp, "ohms": printed},
            {**whole.devices, "ohmmeter": meter},
            whole.outputs,
            whole.inputs,
            whole.readings,
            whole.watchdog,
        )
        stations = open_stations(spec, TickClock())
        assert {name: type(one) for name, one in stations.items()} == {
            "line": ModbusStation,
            "ohms": PrintedStation,
        }
        with pytest.raises(PortUnavailable, match="held"):
            open_stations(spec, TickClock())
        for station in stations.values():
            station.close()
        for station in open_stations(spec, TickClock()).values():  # nothing was left open
            station.close()


def test_every_kind_of_line_has_a_maker() -> None:
    assert set(MAKERS) == {"rtu", "modbus-tcp", "scpi-tcp", "scpi-serial", "printed"}


def test_polling_in_a_thread_while_the_scan_writes() -> None:
    with tcp_server() as (line, _):
        station = ModbusStation(described(line), line, RealClock())
        station.open()
        poller = PollingThread(station, RealClock(), 0.005)
        poller.start()
        try:
            for turn in range(50):
                station.write({"a": bool(turn % 2), "b": True})
                assert station.read_back()["a"] is bool(turn % 2)
            assert station.fault is None
            assert station.inputs["lid"].on
            assert poller.died is None
        finally:
            poller.stop()
            station.close()
        assert not [one for one in threading.enumerate() if one.name == "poll line"]


def test_what_kills_a_polling_thread_is_kept() -> None:
    line = LineSpec("line", "modbus-tcp", host="127.0.0.1", tcp_port=1)

    class Broken(ModbusStation):
        def poll(self) -> None:
            raise RuntimeError("programming error")

    station: Station = Broken(bench(line, [DeviceSpec("x", "line")]), line, RealClock())
    poller = PollingThread(station, RealClock(), 0.01)
    poller.start()
    end_s = time.monotonic() + 5.0
    while poller.died is None and time.monotonic() < end_s:
        time.sleep(0.01)
    poller.stop()
    assert isinstance(poller.died, RuntimeError)


def test_runs_that_only_switch_off_come_first() -> None:
    outputs = [OutputSpec(name, "x", coil) for name, coil in (("a", 0), ("b", 1), ("c", 9))]
    assert coil_runs(outputs, {"a": True, "b": False, "c": False}) == [
        (9, (False,)),
        (0, (True, False)),
    ]
    inverted = [OutputSpec("a", "x", 0), OutputSpec("b", "x", 5, inverted=True)]
    assert coil_runs(inverted, {"a": True, "b": False}) == [(5, (True,)), (0, (True,))]


@pytest.mark.parametrize(("timeout_s", "ms"), [(1.0, 1000), (0.3, 300), (100.0, 65535)])
def test_hold_time_in_ms(timeout_s: float, ms: int) -> None:
    assert hold_ms(timeout_s) == ms


@pytest.mark.parametrize(
    ("kind", "address", "expected"),
    [("B", 100, [1, 2, 3]), ("C", 100, [1500, 1500, 1500]), ("F", 2, [1, 0, 1])],
)
def test_each_kind_of_watchdog_is_renewed(kind, address: int, expected: list[int]) -> None:  # type: ignore[no-untyped-def]
    with tcp_server() as (line, server):
        spec = described(line)
        spec = BenchSpec(
            spec.lines,
            spec.devices,
            {},
            spec.inputs,
            {},
            WatchdogSpec(kind, "board", address, 1.5),
        )
        station = ModbusStation(spec, line, TickClock())
        station.open()
        try:
            block = "c0" if kind == "F" else "h"
            board = server.get_slave(1)
            seen = []
            for _ in expected:
                station.beat()
                seen.append(board.get_values(block, address, 1)[0])
        finally:
            station.close()
        assert seen == expected


def test_input_inversion_is_applied_once() -> None:
    with tcp_server() as (line, server):
        inputs = [
            InputSpec("plain", "board", "discrete", 3),
            InputSpec("turned", "board", "discrete", 3, inverted=True),
        ]
        spec = bench(line, [DeviceSpec("board", "line", deadline_s=1.0)], [], inputs)
        station = ModbusStation(spec, line, TickClock())
        station.open()
        try:
            for value in (1, 0):
                server.get_slave(1).set_values("d", 3, [value])
                station.poll()
                assert station.inputs["plain"].on is bool(value)
                assert station.inputs["turned"].on is not bool(value)
        finally:
            station.close()


def test_ports_are_listed_with_stable_name_permission_and_latency(tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch()
    by_id, tty = tmp_path / "by-id", tmp_path / "tty"
    by_id.mkdir()
    (by_id / "usb-example-port0").symlink_to(device)
    timer = tty / "ttyUSB0" / "device"
    timer.mkdir(parents=True)
    (timer / "latency_timer").write_text("16\n")
    other = tmp_path / "ttyS9"
    found = serial_ports([(str(device), "example"), (str(other), "")], by_id, tty)
    gone, port = found
    assert port.by_id == str(by_id / "usb-example-port0")
    assert (port.latency_ms, port.readable, port.writable) == (16, True, True)
    assert "set it to 1" in port.hint
    assert port.group
    assert (gone.by_id, gone.latency_ms, gone.readable) == ("", None, False)
    assert "no permission" in gone.hint


def test_this_machines_ports_can_be_listed() -> None:
    for port in serial_ports():
        assert os.path.exists(port.device)
