"""Our stations against Modbus servers that nobody here wrote: modbus-tk (TCP, RTU), pyModbusTCP."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import serial
from modbus_tk import defines, modbus_rtu, modbus_tcp
from pyModbusTCP.server import DataBank, ModbusServer

from drivers.described import (
    BenchSpec,
    DeviceSpec,
    InputSpec,
    LineSpec,
    OutputSpec,
    StatusSpec,
    WatchdogSpec,
)
from drivers.errors import Refused, WrongDevice
from drivers.modbus_station import ModbusStation
from drivers.roles import Quality
from tests.drivers.peers import (
    TickClock,
    bench,
    bridged,
    free_port,
    listening,
    pty_pair,
    reading,
)

OUTPUTS = (
    OutputSpec("a", "board", 0),
    OutputSpec("b", "board", 1),
    OutputSpec("c", "board", 2, inverted=True),
    OutputSpec("far", "board", 30),
)
INPUTS = (
    InputSpec("lid", "board", "discrete", 3),
    InputSpec("stop", "board", "discrete", 5, inverted=True),
    InputSpec("bit", "meter", "holding", 7, bit=4),
)
READINGS = (
    reading("abcd", 0, encoding="float32", order="ABCD"),
    reading("cdab", 2, encoding="float32", order="CDAB"),
    reading("badc", 4, encoding="float32", order="BADC"),
    reading("dcba", 6, encoding="float32", order="DCBA"),
    reading("minus", 8, encoding="int16", scale=0.1, offset=1.0),
    reading("big", 10, encoding="int32", order="CDAB", status=StatusSpec("input", 20, 0x3, 0x4)),
    reading("alone", 40),  # a gap too wide to read across
)
# 123.456 = 42F6E979 (check values 8.3, computed): words as each order sends them
WORDS = (0x42F6, 0xE979, 0xE979, 0x42F6, 0xF642, 0x79E9, 0x79E9, 0xF642, 0xFF85, 0, 0x1170, 0xFFFF)


def described(line: LineSpec) -> BenchSpec:
    devices = (
        DeviceSpec("board", line.name, unit=1, latency_s=0.01, deadline_s=1.0),
        DeviceSpec("meter", line.name, unit=2, latency_s=0.02, deadline_s=1.0),
    )
    return bench(line, devices, OUTPUTS, INPUTS, READINGS, WatchdogSpec("B", "board", 100, 1.0))


def fill(server: modbus_tcp.TcpServer | modbus_rtu.RtuServer) -> None:
    """Only the described addresses exist: reading across a hole gets exception 2."""
    board, meter = server.add_slave(1), server.add_slave(2)
    board.add_block("c0", defines.COILS, 0, 3)
    board.add_block("c30", defines.COILS, 30, 1)
    board.add_block("d", defines.DISCRETE_INPUTS, 3, 3)
    board.set_values("d", 3, [1, 0, 1])
    board.add_block("h", defines.HOLDING_REGISTERS, 100, 1)
    meter.add_block("h7", defines.HOLDING_REGISTERS, 7, 1)
    meter.set_values("h7", 7, [0x10])
    meter.add_block("i", defines.ANALOG_INPUTS, 0, 12)
    meter.set_values("i", 0, WORDS)
    meter.add_block("i20", defines.ANALOG_INPUTS, 20, 1)
    meter.add_block("i40", defines.ANALOG_INPUTS, 40, 1)
    meter.set_values("i40", 40, [7])


@contextmanager
def tcp_server() -> Iterator[tuple[LineSpec, modbus_tcp.TcpServer]]:
    port = free_port()
    server = modbus_tcp.TcpServer(port=port, address="127.0.0.1", timeout_in_sec=0.2)
    fill(server)
    server.start()
    listening(port)
    try:
        yield LineSpec("line", "modbus-tcp", host="127.0.0.1", tcp_port=port), server
    finally:
        server.stop()


@contextmanager
def rtu_server() -> Iterator[tuple[LineSpec, modbus_rtu.RtuServer]]:
    with pty_pair() as (far, path), pty_pair() as (other, theirs), bridged(far, other):
        port = serial.Serial(theirs, 19200)
        server = modbus_rtu.RtuServer(port, error_on_missing_slave=False)
        fill(server)
        server.start()
        try:
            yield LineSpec("line", "rtu", port=path), server
        finally:
            server.stop()
            port.close()


@pytest.mark.parametrize("serve", [tcp_server, rtu_server])
def test_a_bench_described_only_by_data_is_read_and_written(serve) -> None:  # type: ignore[no-untyped-def]
    clock = TickClock()
    with serve() as (line, server):
        station = ModbusStation(described(line), line, clock)
        station.open()
        try:
            station.poll()
            assert station.fault is None
            flags = {name: flag.on for name, flag in station.inputs.items()}
            assert flags == {"lid": True, "stop": False, "bit": True}
            values = {name: one.value for name, one in station.readings.items()}
            orders = [values[name] for name in ("abcd", "cdab", "badc", "dcba")]
            assert orders == [struct.unpack(">f", bytes.fromhex("42F6E979"))[0]] * 4
            # FF85 is -123; FFFF1170 is -61072
            assert values["minus"] == pytest.approx(-12.3 + 1.0)
            assert (values["big"], values["alone"]) == (-61072.0, 7.0)
            station.write({"a": True, "b": False, "c": True, "far": True})
            board = server.get_slave(1)
            assert tuple(board.get_values("c0", 0, 3)) == (1, 0, 0)  # c is inverted
            assert station.read_back() == {"a": True, "b": False, "c": True, "far": True}
            station.beat()
            first = board.get_values("h", 100, 1)
            station.beat()
            assert board.get_values("h", 100, 1) != first
            station.make_safe()
            assert tuple(board.get_values("c0", 0, 3)) == (0, 0, 1)
            assert tuple(board.get_values("c30", 30, 1)) == (0,)
            with pytest.raises(Refused):
                station.read_holding("meter", 500, 1)
        finally:
            station.close()


def test_a_status_word_invalidates_its_reading() -> None:
    clock = TickClock()
    with tcp_server() as (line, server):
        station = ModbusStation(described(line), line, clock)
        station.open()
        try:
            for word, quality in ((0, Quality.GOOD), (4, Quality.OVER_RANGE), (6, Quality.INVALID)):
                server.get_slave(2).set_values("i20", 20, [word])
                clock.t_s += 1.0
                station.poll()
                assert station.readings["big"].quality is quality
                assert station.readings["abcd"].quality is Quality.GOOD
        finally:
            station.close()


def test_a_board_is_identified_by_its_registers() -> None:
    with tcp_server() as (line, server):
        server.get_slave(1).add_block("id", defines.HOLDING_REGISTERS, 300, 4)
        server.get_slave(1).set_values("id", 300, [0x5242, 0x2D38, 0x0000, 0x0000])  # "RB-8"
        for pattern, fits in (("RB-[0-9]", True), ("RB-", False)):
            device = DeviceSpec(
                "board",
                "line",
                deadline_s=1.0,
                identify=pattern,
                identify_register=300,
                identify_count=4,
            )
            station = ModbusStation(bench(line, [device]), line, TickClock())
            station.open()
            try:
                if fits:
                    assert station.identify() == {"board": "RB-8"}
                else:
                    with pytest.raises(WrongDevice, match="RB-8"):
                        station.identify()
            finally:
                station.close()


def test_another_independent_tcp_server() -> None:
    port = free_port()
    bank = DataBank(h_regs_size=200, i_regs_size=200, coils_size=100, d_inputs_size=100)
    server = ModbusServer("127.0.0.1", port, no_block=True, data_bank=bank)
    server.start()
    listening(port)
    line = LineSpec("line", "modbus-tcp", host="127.0.0.1", tcp_port=port)
    station = ModbusStation(described(line), line, TickClock())
    try:
        station.open()
        bank.set_input_registers(0, list(WORDS))
        bank.set_discrete_inputs(3, [True])
        station.poll()
        assert station.fault is None
        assert station.readings["dcba"].value == pytest.approx(123.456, rel=1e-7)
        assert station.inputs["lid"].on
        station.write({"a": True, "b": True})
        assert bank.get_coils(0, 3) == [True, True, False]
        station.make_safe()
        assert bank.get_coils(0, 3) == [False, False, True]
    finally:
        station.close()
        server.stop()
