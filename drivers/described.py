"""A bench's wiring as plain data: lines, devices and channels, described and not coded.

``rig/bench_file.py`` builds these from a bench file; ``drivers/station.py`` opens them. Nothing here
says what a channel is for. All times in seconds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

LineKind = Literal["rtu", "modbus-tcp", "scpi-tcp", "scpi-serial", "printed"]
Table = Literal["coil", "discrete", "holding", "input"]
Encoding = Literal["int16", "uint16", "int32", "uint32", "float32"]
SampleType = Literal["int16", "uint16", "int32", "uint32", "float32", "float64"]
ByteOrder = Literal["normal", "swapped"]  # SCPI's words; normal: most significant byte first
Order = Literal["ABCD", "CDAB", "BADC", "DCBA"]  # for 16-bit: ABCD/CDAB = AB, BADC/DCBA = BA


@dataclass(frozen=True, slots=True)
class LineSpec:
    """A port. Serial kinds use ``port`` and the line settings, TCP kinds ``host`` and ``tcp_port``."""

    name: str
    kind: LineKind
    port: str = ""
    baud: int = 19200
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: int = 1
    echo: bool = False
    host: str = ""
    tcp_port: int = 0
    terminator: str = "\n"


@dataclass(frozen=True, slots=True)
class QuerySpec:
    """A SCPI question: ``reply`` is a full-match regular expression whose groups are the fields.

    ``period_s``: how often the instrument has a new reply. ``ask_s``: how often it is asked, where
    that is more often; the same reply within ``period_s`` is then the same sample.
    """

    name: str
    command: str
    reply: str
    period_s: float
    ask_s: float | None = None

    @property
    def turn_s(self) -> float:
        """How often it is asked."""
        return self.period_s if self.ask_s is None else self.ask_s


@dataclass(frozen=True, slots=True)
class DeviceSpec:
    """A device on a line. ``identify`` is a regular expression for *IDN? (SCPI), or for the
    registers ``identify_register``, ``identify_count`` read as ASCII (Modbus); empty: not asked."""

    name: str
    line: str
    unit: int = 1
    latency_s: float = 0.0
    deadline_s: float = 0.25
    identify: str = ""
    identify_register: int = -1
    identify_count: int = 0
    queries: Mapping[str, QuerySpec] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class OutputSpec:
    name: str
    device: str
    coil: int
    inverted: bool = False


@dataclass(frozen=True, slots=True)
class InputSpec:
    """A flag: a coil or discrete input, or one ``bit`` of a register."""

    name: str
    device: str
    table: Table
    address: int
    bit: int = -1
    inverted: bool = False
    period_s: float = 0.0  # 0: each scan


@dataclass(frozen=True, slots=True)
class StatusSpec:
    """A status word; any bit of ``invalid_mask`` set makes the reading INVALID, any of
    ``over_mask`` OVER_RANGE."""

    table: Table
    address: int
    invalid_mask: int
    over_mask: int = 0


@dataclass(frozen=True, slots=True)
class ModbusReading:
    name: str
    device: str
    unit: str
    table: Table
    address: int
    encoding: Encoding
    order: Order
    scale: float
    offset: float
    period_s: float
    low: float
    high: float
    status: StatusSpec | None = None


@dataclass(frozen=True, slots=True)
class ScpiReading:
    name: str
    device: str
    unit: str
    query: str
    group: int
    scale: float
    offset: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class PrintedReading:
    """A meter that prints lines by itself: ``pattern`` full-matches a line, ``group`` is the value."""

    name: str
    device: str
    unit: str
    pattern: str
    group: int
    scale: float
    offset: float
    low: float
    high: float


ReadingSpec = ModbusReading | ScpiReading | PrintedReading


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """One channel of a capture: the ``block`` of the reply (from 1) that holds its samples."""

    name: str
    block: int
    unit: str
    scale: float
    offset: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class WaveformSpec:
    """What a SCPI meter tells of waveforms: one question, one definite-length block (IEEE 488.2) a
    channel, ``points`` samples each, taken together at ``rate_hz``."""

    device: str
    command: str
    rate_hz: float
    points: int
    type: SampleType
    byte_order: ByteOrder
    channels: Mapping[str, ChannelSpec]


@dataclass(frozen=True, slots=True)
class WatchdogSpec:
    """B: a holding register that must change. C: a holding register written with the hold time in
    ms, outputs drop when it runs out. F: a coil toggled into a hard-wired retriggerable timer."""

    kind: Literal["B", "C", "F"]
    device: str
    address: int
    timeout_s: float


@dataclass(frozen=True, slots=True)
class BenchSpec:
    """All lines of a bench. A name occurs once among outputs, once among inputs, once among readings."""

    lines: Mapping[str, LineSpec]
    devices: Mapping[str, DeviceSpec]
    outputs: Mapping[str, OutputSpec]
    inputs: Mapping[str, InputSpec]
    readings: Mapping[str, ReadingSpec]
    watchdog: WatchdogSpec
    waveform: WaveformSpec | None = None
