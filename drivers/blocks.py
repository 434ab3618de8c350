"""Which addresses to read together: adjacent items of a table become one request. Pure planning.

A *group* is what is read together of one device at one period: blocks of addresses and the channels
decoded from them. A channel is only renewed when every block of its group came, so that a value and
its status word always belong together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from drivers import modbus, numbers
from drivers.described import BenchSpec, DeviceSpec, InputSpec, ModbusReading, Table
from drivers.roles import Flag, Quality, Reading

WIDEST_GAP: Final = 8  # addresses that are read along for nothing rather than ask twice
Cells = dict[int, int]  # address to register, or to 0 or 1
Span = tuple[int, int]  # address, count


@dataclass(frozen=True, slots=True)
class Block:
    """One read request; ``spans`` are the items in it, without the gaps between them."""

    table: Table
    request: modbus.Request
    spans: tuple[Span, ...]

    @property
    def has_gaps(self) -> bool:
        return len(merged(self.spans, 0, self.request.count)) > 1


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
        planned.append(Block(table, modbus.read(unit, table, start, count), tuple(run)))
    return planned


def split(block: Block) -> list[Block]:
    """The same items without reading across gaps: some devices refuse addresses that they lack."""
    return blocks(block.request.unit, block.table, block.spans, gap=0)


# ---- channels --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class InputChannel:
    """One input and where its bit is."""

    spec: InputSpec

    @property
    def spans(self) -> list[tuple[Table, Span]]:
        return [(self.spec.table, (self.spec.address, 1))]

    def flag(self, image: dict[Table, Cells], taken_s: float) -> Flag:
        """The flag with its inversion applied."""
        cell = image[self.spec.table][self.spec.address]
        on = bool(cell >> self.spec.bit & 1 if self.spec.bit >= 0 else cell)
        return Flag(on != self.spec.inverted, taken_s)


@dataclass(frozen=True, slots=True)
class ReadingChannel:
    """One reading, the registers that hold it, and its status word."""

    spec: ModbusReading
    addresses: tuple[int, ...]
    decode: Callable[[Sequence[int]], float]

    @property
    def spans(self) -> list[tuple[Table, Span]]:
        own = [(self.spec.table, (self.spec.address, len(self.addresses)))]
        status = self.spec.status
        return own if status is None else [*own, (status.table, (status.address, 1))]

    def reading(self, image: dict[Table, Cells], taken_s: float) -> Reading:
        """The value graded by number, range and status word."""
        cells = image[self.spec.table]
        raw = self.decode([cells[address] for address in self.addresses])
        return numbers.graded(self.spec, raw, taken_s, self._status(image))

    def _status(self, image: dict[Table, Cells]) -> Quality:
        status = self.spec.status
        if status is None:
            return Quality.GOOD
        word = image[status.table][status.address]
        return numbers.status_quality(word, status.invalid_mask, status.over_mask)


Channel = InputChannel | ReadingChannel


def reading_channel(spec: ModbusReading) -> ReadingChannel:
    """The channel of a reading, its decoder compiled."""
    words = numbers.WORDS[spec.encoding]
    addresses = tuple(range(spec.address, spec.address + words))
    return ReadingChannel(spec, addresses, numbers.decoder(spec.encoding, spec.order))


@dataclass(slots=True)
class Group:
    """What is read together of one device at one period; ``due_s`` is control time."""

    device: DeviceSpec
    period_s: float
    inputs: tuple[InputChannel, ...]
    readings: tuple[ReadingChannel, ...]
    blocks: list[Block]
    due_s: float = float("-inf")
    image: dict[Table, Cells] = field(default_factory=dict)

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
        cells = self.image.setdefault(block.table, {})
        cells.update(zip(range(start, start + len(values)), values, strict=True))


def groups(spec: BenchSpec, line: str) -> list[Group]:
    """Every group of a line, the fastest first."""
    mine = {name: device for name, device in spec.devices.items() if device.line == line}
    inputs = [InputChannel(one) for one in spec.inputs.values() if one.device in mine]
    readings = [
        reading_channel(one)
        for one in spec.readings.values()
        if isinstance(one, ModbusReading) and one.device in mine
    ]
    channels: list[Channel] = [*inputs, *readings]
    keys = {(one.spec.period_s, one.spec.device) for one in channels}
    return [_group(mine[name], period_s, inputs, readings) for period_s, name in sorted(keys)]


def _group(
    device: DeviceSpec,
    period_s: float,
    inputs: Sequence[InputChannel],
    readings: Sequence[ReadingChannel],
) -> Group:
    def belongs(channel: Channel) -> bool:
        return channel.spec.device == device.name and channel.spec.period_s == period_s

    mine_in = tuple(filter(belongs, inputs))
    mine_read = tuple(filter(belongs, readings))
    spans: dict[Table, list[Span]] = {}
    channels: list[Channel] = [*mine_in, *mine_read]
    for channel in channels:
        for table, span in channel.spans:
            spans.setdefault(table, []).append(span)
    planned = [one for table, some in spans.items() for one in blocks(device.unit, table, some)]
    return Group(device, period_s, mine_in, mine_read, planned)
