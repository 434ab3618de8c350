"""What must hold for a bench file's ``[waveform]`` table: who captures, how long, in which blocks."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator

from procedures.scan import QUANTITIES
from rig import bench_schema as schema
from rig.bench_described import WAVES
from rig.bench_tables import Report, Tables
from rig.units import convertible

SLOW = 0.97  # of the nominal frequency: a supply as slow as that must still fill the window
LEAST_A_CYCLE = 16  # samples: up to the 7th harmonic


def waveform(report: Report, tables: Tables, today: datetime.date) -> None:
    """A SCPI device, blocks without gaps, units that convert, and whole windows of the supply."""
    table = tables.waveform
    if table is None:
        return
    device = tables.devices.get(table.device)
    if table.device not in tables.named("devices"):
        report.unknown(("waveform", "device"), "device", table.device, tables.named("devices"))
    elif device is not None and not isinstance(device, schema.ScpiDeviceTable):
        scpi = [n for n, d in tables.devices.items() if isinstance(d, schema.ScpiDeviceTable)]
        report.add(("waveform", "device"), f"{table.device!r} is no SCPI device", ", ".join(scpi))
    _blocks(report, table)
    for name, channel in _channels(table):
        _channel(report, name, channel)
    if tables.supply is not None:
        _window(report, table, tables.supply.frequency_hz)


def _channels(table: schema.WaveformTable) -> Iterator[tuple[str, schema.WaveChannelTable]]:
    for name in WAVES:
        channel = getattr(table, name)
        if channel is not None:
            yield name, channel


def _blocks(report: Report, table: schema.WaveformTable) -> None:
    channels = list(_channels(table))
    given = [channel.block for _, channel in channels]
    if sorted(given) != list(range(1, len(given) + 1)):
        for name, channel in channels:
            if given.count(channel.block) > 1 or channel.block > len(given):
                path = ("waveform", name, "block")
                report.add(path, f"block {channel.block}", f"1 to {len(given)}, each once")


def _channel(report: Report, name: str, channel: schema.WaveChannelTable) -> None:
    allowed = convertible(QUANTITIES[name])
    if channel.unit not in allowed:
        what = f"{channel.unit!r} is no unit of {name}"
        report.add(("waveform", name, "unit"), what, ", ".join(allowed))
    if channel.scale == 0.0:
        what = "0 would make every sample the same"
        report.add(("waveform", name, "scale"), what, "not 0")
    low, high = channel.range
    if not low < 0.0 < high:
        what = f"[{low:g}, {high:g}] does not hold both half-waves"
        report.add(("waveform", name, "range"), what, "below 0 and above 0")


def _window(report: Report, table: schema.WaveformTable, nominal_hz: float) -> None:
    from procedures.spectrum import window_cycles  # numpy: only benches with waveforms pay for it

    cycles = window_cycles(nominal_hz)
    least = math.ceil(cycles * table.rate_hz / (SLOW * nominal_hz))
    if table.points < least:
        what = f"{table.points} samples are no {cycles} cycles of a slow supply"
        report.add(("waveform", "points"), what, f"at least {least} at {table.rate_hz:g} a second")
    if table.rate_hz < LEAST_A_CYCLE * nominal_hz:
        what = f"{table.rate_hz:g} a second are too few for harmonics"
        report.add(("waveform", "rate_hz"), what, f"at least {LEAST_A_CYCLE * nominal_hz:g}")
