"""Which addresses to read together: adjacent items of a table become one request. Pure planning.

A *group* is what is read together of one device at one period: blocks of addresses and the channels
decoded from them. A channel is only renewed when every block of its group came, so that a value and
its status word always belong together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from drivers import modbus, numbers
from drivers.described import BenchSpec, DeviceSpec, InputSpec, ModbusReading, Table
from drivers.roles import Quality, Reading

WIDEST_GAP: Final = 8  # addresses that are read along for nothing rather than ask twice
Cells = dict[int, int]  # address to register, or to 0 or 1
Span = tuple[int, int]  # address, count


@dataclass(frozen=True, slots=True)
class Block:
    """One read request; ``spans`` are the items in it, without the gaps between them."""

    table: Table
    request: modbus.Request
    spans: tuple[Span, ...]
    has_gaps: bool


def merged(spans: Iterable[Span], gap: int, most: int) -> list[list[Span]]:
    """Spans gathered into runs at most ``gap`` addresses apart and ``most`` long, never cut."""
    runs: list[list[Span]] = []
    end = 0
    for address, count in sorted(set(spans)):
        start = runs[-1][0][0] if runs else 0
        if runs and address - end <= gap and address + count - start <= most:
            runs[-1].append((address, count))
            end = max(end, address + count)
        else:
            runs.append([(address, count)])
            end = address + count
    return runs


def blocks(unit: int, table: Table, spans: Iterable[Span], gap: int = WIDEST_GAP) -> list[Block]:
    """The fewest requests that read all ``spans``."""
    most = modbus.MOST[modbus.READ_FUNCTION[table]]
    planned = []
    for run in merged(spans, gap, most):
        start = run[0][0]
        count = max(address + length for address, length in run) - start
        has_gaps = len(merged(run, 0, count)) > 1
        planned.append(Block(table, modbus.read(unit, table, start, count), tuple(run), has_gaps))
    return planned


def split(block: Block) -> list[Block]:
    """The same items asked for apart: without the gaps first, and then each by itself.

    Some devices refuse addresses that they lack, some a request over more than one of their values.
    """
    unit, table, spans = block.request.unit, block.table, block.spans
    if block.has_gaps:
        return blocks(unit, table, spans, gap=0)
    return [one for span in spans for one in blocks(unit, table, [span])]


# ---- channels --------------------------------------------------------------------------------------
# Compiled once into closures over the group's image: a scan decodes dozens of them.

Image = dict[Table, Cells]
ReadFlag = Callable[[], bool]
ReadReading = Callable[[float], Reading]  # control time in seconds to the reading


def flag_reader(spec: InputSpec, image: Image) -> ReadFlag:
    """The flag in ``image``, its inversion applied; without a bit any bit of a register counts."""
    cells, address, inverted = image[spec.table], spec.address, spec.inverted
    mask = 1 << spec.bit if spec.bit >= 0 else 0xFFFF
    return lambda: (cells[address] & mask != 0) is not inverted


def value_reader(spec: ModbusReading, image: Image) -> ReadReading:
    """The value in ``image``, graded by number, range and status word."""
    cells, addresses = image[spec.table], _addresses(spec)
    decode, quality = numbers.decoder(spec.encoding, spec.order), _status_reader(spec, image)

    def reading(taken_s: float) -> Reading:
        raw = decode([cells[address] for address in addresses])
        return numbers.graded(spec, raw, taken_s, quality())

    return reading


def _status_reader(spec: ModbusReading, image: Image) -> Callable[[], Quality]:
    status = spec.status
    if status is None:
        return lambda: numbers.GOOD
    cells, address = image[status.table], status.address
    invalid_mask, over_mask = status.invalid_mask, status.over_mask
    return lambda: numbers.status_quality(cells[address], invalid_mask, over_mask)


def _addresses(spec: ModbusReading) -> tuple[int, ...]:
    return tuple(range(spec.address, spec.address + numbers.WORDS[spec.encoding]))


def _spans(spec: InputSpec | ModbusReading) -> list[tuple[Table, Span]]:
    """What has to be read for a channel, its status word included."""
    if isinstance(spec, InputSpec):
        return [(spec.table, (spec.address, 1))]
    own = [(spec.table, (spec.address, numbers.WORDS[spec.encoding]))]
    status = spec.status
    return own if status is None else [*own, (status.table, (status.address, 1))]


@dataclass(slots=True)
class Group:
    """What is read together of one device at one period; ``due_s`` is control time."""

    device: DeviceSpec
    period_s: float
    blocks: list[Block]
    flags: list[tuple[str, ReadFlag]]
    values: list[tuple[str, ReadReading]]
    image: Image
    due_s: float = float("-inf")

    def due(self, now_s: float) -> bool:
        """True from a tenth of a period early, so that a scan's jitter skips no turn."""
        return now_s >= self.due_s - 0.1 * self.period_s

    def done(self, now_s: float) -> None:
        """Keep to the period's own grid unless a whole period was missed."""
        following_s = self.due_s + self.period_s
        self.due_s = following_s if following_s > now_s else now_s + self.period_s

    def keep(self, block: Block, values: Sequence[int]) -> None:
        """Put a block's values into the image."""
        start = block.request.address
        cells = self.image[block.table]
        cells.update(zip(range(start, start + len(values)), values, strict=True))


def groups(spec: BenchSpec, line: str) -> list[Group]:
    """Every group of a line, the fastest first."""
    mine = {name: device for name, device in spec.devices.items() if device.line == line}
    readings = [one for one in spec.readings.values() if isinstance(one, ModbusReading)]
    channels: list[InputSpec | ModbusReading] = [*spec.inputs.values(), *readings]
    gathered: dict[tuple[float, str], list[InputSpec | ModbusReading]] = {}
    for channel in channels:
        if channel.device in mine:
            gathered.setdefault((channel.period_s, channel.device), []).append(channel)
    return [
        _group(mine[name], period_s, gathered[period_s, name])
        for period_s, name in sorted(gathered)
    ]


def _group(
    device: DeviceSpec, period_s: float, channels: Sequence[InputSpec | ModbusReading]
) -> Group:
    spans: dict[Table, list[Span]] = {}
    for channel in channels:
        for table, span in _spans(channel):
            spans.setdefault(table, []).append(span)
    planned = [one for table, some in spans.items() for one in blocks(device.unit, table, some)]
    image: Image = {table: {} for table in spans}
    flags = [(one.name, flag_reader(one, image)) for one in channels if isinstance(one, InputSpec)]
    values = [
        (one.name, value_reader(one, image)) for one in channels if isinstance(one, ModbusReading)
    ]
    return Group(device, period_s, planned, flags, values, image)
