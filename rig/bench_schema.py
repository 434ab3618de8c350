"""What each table of a bench file may hold: types and ranges, strictly.

Currents in mA, times in s, voltages in V, resistances in ohm, as the names say. What needs a look at
more than one table is in ``bench_rules.py``.
"""

from __future__ import annotations

import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Seconds = Annotated[float, Field(gt=0.0, le=60.0)]
Latency = Annotated[float, Field(ge=0.0, le=10.0)]
Address = Annotated[int, Field(ge=0, le=65535)]  # Modbus Application Protocol V1.1b3, 4.3
Bit = Annotated[int, Field(ge=0, le=15)]
Mask = Annotated[int, Field(ge=0, le=0xFFFF)]
TcpPort = Annotated[int, Field(ge=1, le=65535)]
Percent = Annotated[float, Field(ge=0.0, le=20.0)]
Text = Annotated[str, Field(min_length=1, max_length=200)]
Host = Annotated[str, Field(pattern=r"^[A-Za-z0-9:.%_-]{1,253}$")]
Baud = Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600]
Encoding = Literal["int16", "uint16", "int32", "uint32", "float32"]
Order = Literal["AB", "BA", "ABCD", "CDAB", "BADC", "DCBA"]
Span = Annotated[list[float], Field(min_length=2, max_length=2)]


class Table(BaseModel):
    """Strict: no unknown keys, no conversions, no NaN."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class BenchTable(Table):
    id: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$")]
    name: Text
    bays: Annotated[int, Field(ge=1, le=16)]
    scan_s: Annotated[float, Field(ge=0.02, le=0.2)]


class SupplyTable(Table):
    system: Literal["split-phase", "single-phase"]
    line_to_neutral_v: Annotated[float, Field(ge=100.0, le=250.0)]
    frequency_hz: Annotated[float, Field(ge=45.0, le=65.0)]
    tolerance_percent: Annotated[float, Field(gt=0.0, le=15.0)]
    protection: Literal["gfci", "rcd"]
    rated_residual_ma: Annotated[float, Field(ge=4.0, le=30.0)]
    series_ohm: Annotated[float, Field(ge=10_000.0, le=1_000_000.0)]
    series_percent: Annotated[float, Field(ge=0.0, le=5.0)]
    control_ma: Annotated[float, Field(ge=0.05, le=0.5)]


class RegisterWatchdogTable(Table):
    """Kinds B and C of the watchdog table."""

    kind: Literal["B", "C"]
    device: Text
    register_: Annotated[int, Field(ge=0, le=65535, alias="register")]
    timeout_s: Annotated[float, Field(ge=0.1, le=5.0)]


class CoilWatchdogTable(Table):
    kind: Literal["F"]
    device: Text
    coil: Address
    timeout_s: Annotated[float, Field(ge=0.1, le=5.0)]


class RtuLineTable(Table):
    kind: Literal["rtu"]
    port: Text
    baud: Baud = 19200
    parity: Literal["none", "even", "odd"] = "even"  # the serial line standard's default
    stop_bits: Literal[1, 2] = 1
    echo: bool = False


class ModbusTcpLineTable(Table):
    kind: Literal["modbus-tcp"]
    host: Host
    tcp_port: TcpPort = 502


class ScpiTcpLineTable(Table):
    kind: Literal["scpi-tcp"]
    host: Host
    tcp_port: TcpPort = 5025
    terminator: Literal["\n", "\r\n", "\r"] = "\n"


class SerialTextLineTable(Table):
    kind: Literal["scpi-serial", "printed"]
    port: Text
    baud: Baud = 9600
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    terminator: Literal["\n", "\r\n", "\r"] = "\n"


LineTable = RtuLineTable | ModbusTcpLineTable | ScpiTcpLineTable | SerialTextLineTable
LINE_TABLES: dict[str, type[LineTable]] = {
    "rtu": RtuLineTable,
    "modbus-tcp": ModbusTcpLineTable,
    "scpi-tcp": ScpiTcpLineTable,
    "scpi-serial": SerialTextLineTable,
    "printed": SerialTextLineTable,
}


class QueryTable(Table):
    command: Text
    reply: Text
    period_s: Seconds
    ask_s: Seconds | None = None


class Calibrated(Table):
    """What every kind of device may say about its calibration."""

    line: Text
    calibrated: datetime.date | None = None
    calibration_due: datetime.date | None = None


class ModbusDeviceTable(Calibrated):
    unit: Annotated[int, Field(ge=1, le=247)] = 1
    latency_s: Latency = 0.0
    deadline_s: Seconds = 0.25
    identify: str = ""
    identify_register: Address | None = None
    identify_count: Annotated[int, Field(ge=1, le=125)] | None = None


class ScpiDeviceTable(Calibrated):
    latency_s: Latency = 0.0
    deadline_s: Seconds = 0.25
    identify: str = ""
    queries: dict[str, QueryTable] = {}


class PrintedDeviceTable(Calibrated):
    pass


DeviceTable = ModbusDeviceTable | ScpiDeviceTable | PrintedDeviceTable
DEVICE_TABLES: dict[str, type[DeviceTable]] = {
    "rtu": ModbusDeviceTable,
    "modbus-tcp": ModbusDeviceTable,
    "scpi-tcp": ScpiDeviceTable,
    "scpi-serial": ScpiDeviceTable,
    "printed": PrintedDeviceTable,
}


class OutputTable(Table):
    device: Text
    coil: Address
    inverted: bool = False


class InputTable(Table):
    """Exactly one of ``discrete``, ``coil``, ``holding``, ``input``; a register needs ``bit``."""

    device: Text
    discrete: Address | None = None
    coil: Address | None = None
    holding: Address | None = None
    input: Address | None = None
    bit: Bit | None = None
    inverted: bool = False
    period_s: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0


class AccuracyTable(Table):
    """``range_percent`` is of the reading's range, ``digits`` counts last places of ``resolution``;
    ``calibration_percent`` is the calibration's expanded uncertainty (k = 2), of reading."""

    percent: Percent
    floor: Annotated[float, Field(ge=0.0)]
    range_percent: Percent = 0.0
    digits: Annotated[float, Field(ge=0.0, le=1000.0)] = 0.0
    resolution: Annotated[float, Field(ge=0.0)] | None = None
    temperature_percent_per_k: Annotated[float, Field(ge=0.0, le=5.0)] | None = None
    calibration_percent: Percent | None = None


class StatusTable(Table):
    table: Literal["holding", "input"] | None = None
    address: Address
    invalid_mask: Mask
    over_mask: Mask = 0


class _Measured(Table):
    """What every reading from a fitted instrument says."""

    device: Text
    unit: Text
    accuracy: AccuracyTable
    range: Span
    max_age_s: Annotated[float, Field(gt=0.0, le=10.0)]
    scale: float = 1.0
    offset: float = 0.0


class ModbusReadingTable(_Measured):
    table: Literal["holding", "input"]
    address: Address
    type: Encoding
    order: Order | None = None  # big-endian unless said otherwise
    period_s: Seconds
    status: StatusTable | None = None


class ScpiReadingTable(_Measured):
    query: Text
    group: Annotated[int, Field(ge=1, le=99)] = 1


class PrintedReadingTable(_Measured):
    pattern: Text
    group: Annotated[int, Field(ge=1, le=99)] = 1


class HandReadingTable(Table):
    """Entered by a person from a hand instrument; the run asks for its name and calibration."""

    hand: Literal[True]
    unit: Text
    accuracy: AccuracyTable | None = None


ReadingTable = ModbusReadingTable | ScpiReadingTable | PrintedReadingTable | HandReadingTable
READING_TABLES: dict[str, type[ReadingTable]] = {
    "rtu": ModbusReadingTable,
    "modbus-tcp": ModbusReadingTable,
    "scpi-tcp": ScpiReadingTable,
    "scpi-serial": ScpiReadingTable,
    "printed": PrintedReadingTable,
}
READING_KEYS: dict[str, type[ReadingTable]] = {  # the key that tells a kind, if the line does not
    "query": ScpiReadingTable,
    "pattern": PrintedReadingTable,
    "table": ModbusReadingTable,
    "address": ModbusReadingTable,
}


class KnownTable(Table):
    """The resistors that the changeover relay puts before the test meters, by the quantity read."""

    bond_ohm: Annotated[float, Field(ge=0.05, le=10.0)] | None = None
    resistance_ohm: Annotated[float, Field(ge=1.0, le=100_000.0)] | None = None
    insulation_mohm: Annotated[float, Field(ge=0.1, le=100.0)] | None = None


class WaveChannelTable(Table):
    """One channel of a capture; ``block``: which of the reply's blocks, from 1."""

    block: Annotated[int, Field(ge=1, le=8)] = 1
    unit: Text
    range: Span
    scale: float = 1.0
    offset: float = 0.0


class WaveformTable(Table):
    """What a SCPI meter tells of waveforms: definite-length blocks, sampled together."""

    device: Text
    command: Text
    rate_hz: Annotated[float, Field(ge=500.0, le=1e6)]
    points: Annotated[int, Field(ge=64, le=100_000)]
    type: Literal["int16", "uint16", "int32", "uint32", "float32", "float64"]
    byte_order: Literal["normal", "swapped"] = "normal"
    leakage_ma: WaveChannelTable
    supply_v: WaveChannelTable | None = None


class VirtualTable(Table):
    """Where a virtual bench shows its run token (hex), and its control channel."""

    token: Annotated[str, Field(pattern=r"^([0-9a-fA-F]{2}){8,32}$")]
    device: Text
    register_: Annotated[int, Field(ge=0, le=65535, alias="register")]
    control: Annotated[str, Field(pattern=r"^([A-Za-z0-9.:-]+:[0-9]{1,5})?$")] = ""
    lockstep: bool = False
