"""Tables of a bench file to the drivers' own description of lines, devices and channels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drivers import described
from rig import bench_schema as schema
from rig.bench_channels import input_place
from rig.bench_tables import Tables


def _line(name: str, table: schema.LineTable) -> described.LineSpec:
    return described.LineSpec(name=name, **table.model_dump())


def _device(name: str, table: schema.DeviceTable) -> described.DeviceSpec:
    given = table.model_dump(
        exclude={"calibrated", "calibration_due", "queries"}, exclude_none=True
    )
    queries = table.queries if isinstance(table, schema.ScpiDeviceTable) else {}
    return described.DeviceSpec(
        name=name,
        queries={n: described.QuerySpec(name=n, **q.model_dump()) for n, q in queries.items()},
        **given,
    )


def _input(name: str, entry: schema.InputTable) -> described.InputSpec | None:
    place = input_place(entry)
    if place is None:
        return None
    table: Any = place[0]
    bit = -1 if entry.bit is None else entry.bit
    return described.InputSpec(
        name, entry.device, table, place[1], bit, entry.inverted, entry.period_s
    )


_LONG_ORDER: Mapping[str, described.Order] = {"AB": "ABCD", "BA": "BADC"}


def _modbus_reading(name: str, table: schema.ModbusReadingTable) -> described.ModbusReading:
    order: Any = table.order or "ABCD"
    status = None
    if table.status is not None:
        where = table.status.table or table.table
        status = described.StatusSpec(
            where, table.status.address, table.status.invalid_mask, table.status.over_mask
        )
    return described.ModbusReading(
        table=table.table,
        address=table.address,
        encoding=table.type,
        order=_LONG_ORDER.get(order, order),
        period_s=table.period_s,
        status=status,
        **_common(name, table),
    )


def _common(name: str, table: Any) -> dict[str, Any]:
    low, high = table.range
    return {
        "name": name,
        "device": table.device,
        "unit": table.unit,
        "scale": table.scale,
        "offset": table.offset,
        "low": low,
        "high": high,
    }


def _reading(name: str, table: schema.ReadingTable) -> described.ReadingSpec | None:
    if isinstance(table, schema.ModbusReadingTable):
        return _modbus_reading(name, table)
    if isinstance(table, schema.ScpiReadingTable):
        return described.ScpiReading(query=table.query, group=table.group, **_common(name, table))
    if isinstance(table, schema.PrintedReadingTable):
        common = _common(name, table)
        return described.PrintedReading(pattern=table.pattern, group=table.group, **common)
    return None


def _watchdog(tables: Tables) -> described.WatchdogSpec | None:
    dog = tables.watchdog
    if dog is None or dog.device not in tables.devices:
        return None
    address = dog.coil if isinstance(dog, schema.CoilWatchdogTable) else dog.register_
    return described.WatchdogSpec(dog.kind, dog.device, address, dog.timeout_s)


WAVES = ("leakage_ma", "supply_v")  # the channels that a capture may have, by quantity


def _waveform(tables: Tables) -> described.WaveformSpec | None:
    table = tables.waveform
    device = tables.devices.get(table.device) if table is not None else None
    if table is None or not isinstance(device, schema.ScpiDeviceTable):
        return None
    channels = {name: channel for name in WAVES if (channel := getattr(table, name)) is not None}
    return described.WaveformSpec(
        **table.model_dump(exclude=set(WAVES)),
        channels={name: _channel(name, channel) for name, channel in channels.items()},
    )


def _channel(name: str, table: schema.WaveChannelTable) -> described.ChannelSpec:
    low, high = table.range
    return described.ChannelSpec(
        name, table.block, table.unit, table.scale, table.offset, low, high
    )


def _on_modbus(tables: Tables, device: str) -> bool:
    return isinstance(tables.devices.get(device), schema.ModbusDeviceTable)


def _outputs(tables: Tables) -> dict[str, described.OutputSpec]:
    return {
        name: described.OutputSpec(name, out.device, out.coil, out.inverted)
        for name, out in tables.outputs.items()
        if _on_modbus(tables, out.device)
    }


def _inputs(tables: Tables) -> dict[str, described.InputSpec]:
    given = tables.inputs.items()
    specs = [_input(name, entry) for name, entry in given if _on_modbus(tables, entry.device)]
    return {spec.name: spec for spec in specs if spec is not None}


def _readings(tables: Tables) -> dict[str, described.ReadingSpec]:
    given = tables.readings.items()
    specs = [_reading(name, t) for name, t in given if getattr(t, "device", "") in tables.devices]
    return {spec.name: spec for spec in specs if spec is not None}


def described_spec(tables: Tables) -> described.BenchSpec | None:
    """What the drivers open; without the entries that are wrong, None without a usable watchdog."""
    watchdog = _watchdog(tables)
    if watchdog is None:
        return None
    return described.BenchSpec(
        lines={name: _line(name, table) for name, table in tables.lines.items()},
        devices={name: _device(name, table) for name, table in tables.devices.items()},
        outputs=_outputs(tables),
        inputs=_inputs(tables),
        readings=_readings(tables),
        watchdog=watchdog,
        waveform=_waveform(tables),
    )
