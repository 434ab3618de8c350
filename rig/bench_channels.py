"""No channel twice: two uses of one coil, register, bit, field or port are refused.

A channel is named by (device, table, address): one device is one unit on one line, so that two names
for one board can't hide a clash.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from typing import NamedTuple

from rig import bench_schema as schema
from rig.bench_tables import Report, Tables
from rig.toml_lines import Path

WORDS = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
INPUT_TABLES = ("discrete", "coil", "holding", "input")


class Use(NamedTuple):
    """One use of a channel: which, where in the file, and what it may share it with."""

    channel: Hashable
    path: Path
    sort: str


def _output_uses(tables: Tables) -> Iterator[Use]:
    for name, out in tables.outputs.items():
        yield Use((out.device, "coil", out.coil), ("outputs", name, "coil"), "output")


def input_place(entry: schema.InputTable) -> tuple[str, int] | None:
    """Table and address of an input, or None when it names none or several."""
    places = [(t, getattr(entry, t)) for t in INPUT_TABLES if getattr(entry, t) is not None]
    return places[0] if len(places) == 1 else None


def _input_uses(tables: Tables) -> Iterator[Use]:
    for name, entry in tables.inputs.items():
        place = input_place(entry)
        if place is not None:
            table, address = place
            bit = () if entry.bit is None else (entry.bit,)
            yield Use((entry.device, table, address, *bit), ("inputs", name, table), "input")


def _reading_uses(tables: Tables) -> Iterator[Use]:
    for name, entry in tables.readings.items():
        path = ("readings", name)
        if isinstance(entry, schema.ModbusReadingTable):
            for address in range(entry.address, entry.address + WORDS[entry.type]):
                yield Use((entry.device, entry.table, address), (*path, "address"), "reading")
        elif isinstance(entry, schema.ScpiReadingTable):
            yield Use((entry.device, entry.query, entry.group), (*path, "group"), "reading")
        elif isinstance(entry, schema.PrintedReadingTable):
            yield Use((entry.device, entry.pattern, entry.group), (*path, "group"), "reading")


def _status_uses(tables: Tables) -> Iterator[tuple[str, Use]]:
    for name, entry in tables.readings.items():
        if isinstance(entry, schema.ModbusReadingTable) and entry.status is not None:
            table = entry.status.table or entry.table
            path = ("readings", name, "status", "address")
            yield name, Use((entry.device, table, entry.status.address), path, "status word")


def _watchdog_uses(tables: Tables) -> Iterator[Use]:
    dog = tables.watchdog
    if isinstance(dog, schema.CoilWatchdogTable):
        yield Use((dog.device, "coil", dog.coil), ("watchdog", "coil"), "watchdog")
    elif dog is not None:
        yield Use((dog.device, "holding", dog.register_), ("watchdog", "register"), "watchdog")


def _device_uses(tables: Tables) -> Iterator[Use]:
    """Modbus: one device per unit and line. SCPI and printed lines: one device."""
    for name, device in tables.devices.items():
        unit = device.unit if isinstance(device, schema.ModbusDeviceTable) else 0
        key = "unit" if unit else "line"
        yield Use(("device", device.line, unit), ("devices", name, key), "device")


def _line_uses(tables: Tables) -> Iterator[Use]:
    for name, line in tables.lines.items():
        if isinstance(line, schema.RtuLineTable | schema.SerialTextLineTable):
            yield Use(("port", line.port), ("lines", name, "port"), "line")
        else:
            place = ("port", line.host.lower(), line.tcp_port)
            yield Use(place, ("lines", name, "tcp_port"), "line")


def _clash(report: Report, first: Use, second: Use) -> None:
    owner = ".".join(str(part) for part in first.path[:2])
    report.add(second.path, f"channel used twice: {owner} has it already", "one use of a channel")


def _claim(report: Report, uses: Iterator[Use], taken: dict[Hashable, Use]) -> None:
    told: set[tuple[Path, Path]] = set()  # a wide value clashes once, not once a register
    for use in uses:
        first = taken.setdefault(use.channel, use)
        pair = (first.path[:2], use.path[:2])
        if pair[0] != pair[1] and pair not in told:
            told.add(pair)
            _clash(report, first, use)


def _register(use: Use) -> Hashable:
    """The register that an input's bit lies in."""
    channel = use.channel
    return channel[:3] if isinstance(channel, tuple) else channel


def _bits_on_values(report: Report, tables: Tables, taken: Mapping[Hashable, Use]) -> None:
    for use in _input_uses(tables):
        first = taken.get(_register(use))
        if isinstance(use.channel, tuple) and len(use.channel) == 4 and first is not None:
            _clash(report, first, use)


def channels(report: Report, tables: Tables) -> None:
    """Report each channel, device address and port that is used twice."""
    taken: dict[Hashable, Use] = {}
    for uses in (_output_uses, _watchdog_uses, _input_uses, _reading_uses):
        _claim(report, uses(tables), taken)
    _bits_on_values(report, tables, taken)
    for _, use in _status_uses(tables):
        first = taken.get(use.channel)
        if first is not None:
            _clash(report, first, use)
    _claim(report, _device_uses(tables), {})
    _claim(report, _line_uses(tables), {})
