"""What must hold between the tables of a bench file. Each rule reports and goes on.

``RULES`` is the list; a rule looks only at tables that are right in themselves. Currents in mA,
voltages in V, times in s.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Iterator

from procedures.scan import (
    BAY_DC_V,
    BAY_V,
    BOND_OHM,
    CONDUCTIVITY_MS_CM,
    FREQUENCY_HZ,
    INSULATION_MOHM,
    KNOWN_RESISTORS,
    LEAKAGE_MA,
    QUANTITIES,
    RESISTANCE_OHM,
    TEMPERATURE_C,
)
from rig import bench_schema as schema
from rig.bench_channels import INPUT_TABLES, WORDS, channels, input_place
from rig.bench_names import CONTACTORS, REQUIRED_READINGS, names
from rig.bench_tables import Report, Tables, shown
from rig.bench_timing import timing
from rig.bench_waveform import waveform
from rig.toml_lines import Path
from rig.units import UNITS, conversion, convertible

CUT_OFF_MA = 3.5  # the guard's software cut-off (a proposal): a bolted limited feed stays below it
HAND_READINGS = (TEMPERATURE_C, CONDUCTIVITY_MS_CM, RESISTANCE_OHM, INSULATION_MOHM, BOND_OHM)
UNDECIDING = frozenset({FREQUENCY_HZ})  # recorded, decides nothing: needs no calibration
PAIRS = (
    ("leakage_resistive_ma", "leakage_capacitive_ma"),
    ("second_leakage_resistive_ma", "second_leakage_capacitive_ma"),
)
SIXTEEN_BIT = ("AB", "BA")


def _modbus_only(report: Report, tables: Tables, path: Path, device: str) -> None:
    table = tables.devices.get(device)
    if table is not None and not isinstance(table, schema.ModbusDeviceTable):
        modbus = ", ".join(n for n, d in tables.devices.items() if _is_modbus(d))
        report.add(path, f"{shown(device)} is no Modbus device", modbus)


def _is_modbus(device: schema.DeviceTable) -> bool:
    return isinstance(device, schema.ModbusDeviceTable)


def _device_paths(tables: Tables) -> Iterator[tuple[Path, str, bool]]:
    """(path, device named there, whether it must be a Modbus device)."""
    for section in ("outputs", "inputs"):
        for name, entry in getattr(tables, section).items():
            yield (section, name, "device"), entry.device, True
    for name, reading in tables.readings.items():
        if not isinstance(reading, schema.HandReadingTable):
            modbus = isinstance(reading, schema.ModbusReadingTable)
            yield ("readings", name, "device"), reading.device, modbus
    if tables.watchdog is not None:
        yield ("watchdog", "device"), tables.watchdog.device, True
    if tables.virtual is not None:
        yield ("virtual", "device"), tables.virtual.device, True


def references(report: Report, tables: Tables, today: datetime.date) -> None:
    """Each device and query that is named exists, and speaks what is asked of it."""
    known = tables.named("devices")
    for path, device, modbus in _device_paths(tables):
        if device not in known:
            report.unknown(path, "device", device, known)
        elif modbus:
            _modbus_only(report, tables, path, device)
    for name, reading in tables.readings.items():
        if isinstance(reading, schema.ScpiReadingTable):
            device_table = tables.devices.get(reading.device)
            if isinstance(device_table, schema.ScpiDeviceTable):
                _query(report, name, reading, device_table)


def _query(
    report: Report, name: str, reading: schema.ScpiReadingTable, device: schema.ScpiDeviceTable
) -> None:
    if reading.query not in device.queries:
        report.unknown(("readings", name, "query"), "query", reading.query, device.queries)
    else:
        reply = device.queries[reading.query].reply
        _group(report, ("readings", name, "group"), reply, reading.group)


def _group(report: Report, path: Path, pattern: str, group: int) -> None:
    try:
        groups = re.compile(pattern).groups
    except (re.error, OverflowError, RecursionError):
        return  # reported where the pattern stands
    if group > groups:
        report.add(path, f"the pattern has no group {group}", f"1 to {groups}" if groups else "")


def patterns(report: Report, tables: Tables, today: datetime.date) -> None:
    """Each regular expression compiles and has the group that is asked for."""
    for path, pattern in _patterns(tables):
        try:
            re.compile(pattern)
        except (re.error, OverflowError, RecursionError) as exc:
            report.add(path, f"{shown(pattern)} is no regular expression: {exc}")
    for name, reading in tables.readings.items():
        if isinstance(reading, schema.PrintedReadingTable):
            _group(report, ("readings", name, "group"), reading.pattern, reading.group)


def _patterns(tables: Tables) -> Iterator[tuple[Path, str]]:
    for name, reading in tables.readings.items():
        if isinstance(reading, schema.PrintedReadingTable):
            yield ("readings", name, "pattern"), reading.pattern
    for name, device in tables.devices.items():
        if not isinstance(device, schema.PrintedDeviceTable):
            yield ("devices", name, "identify"), device.identify
        if isinstance(device, schema.ScpiDeviceTable):
            for query, table in device.queries.items():
                yield ("devices", name, "queries", query, "reply"), table.reply


def identities(report: Report, tables: Tables, today: datetime.date) -> None:
    """A Modbus identity needs its pattern and both register keys, or none of them."""
    for name, device in tables.devices.items():
        if not isinstance(device, schema.ModbusDeviceTable):
            continue
        given = (bool(device.identify), device.identify_register, device.identify_count)
        present = [value is not None and value is not False for value in given]
        if any(present) and not all(present):
            what = "identify, identify_register and identify_count belong together"
            report.add(("devices", name), what, "all three or none")


def inputs(report: Report, tables: Tables, today: datetime.date) -> None:
    """Each input names one place; a register needs a bit, a flag has none."""
    for name, entry in tables.inputs.items():
        place = input_place(entry)
        path: Path = ("inputs", name)
        if place is None:
            report.add(path, "must name exactly one place", ", ".join(INPUT_TABLES))
        elif (place[0] in ("holding", "input")) != (entry.bit is not None):
            needs = "needs a bit" if entry.bit is None else "is one bit already"
            report.add((*path, place[0]), f"{place[0]} {needs}", "bit = 0 to 15, registers only")


def units(report: Report, tables: Tables, today: datetime.date) -> None:
    """Each unit converts to the unit of its quantity."""
    for name, reading in tables.readings.items():
        target, path = QUANTITIES.get(name), ("readings", name, "unit")
        if target is None:
            continue
        if reading.unit not in convertible(target):
            what = f"{shown(reading.unit)} is no unit of {name}"
            report.add(path, what, ", ".join(convertible(target)))
        elif UNITS[reading.unit][2] and reading.accuracy and reading.accuracy.percent:
            what = f"percent of a reading in {reading.unit} means nothing"
            report.add(("readings", name, "accuracy", "percent"), what, "0; use floor")


def statements(report: Report, tables: Tables, today: datetime.date) -> None:
    """An accuracy statement has what its own words refer to: digits a resolution, a range a range."""
    for name, reading in tables.readings.items():
        given, path = reading.accuracy, ("readings", name, "accuracy")
        if given is None:
            continue
        if given.digits and given.resolution is None:
            report.add((*path, "digits"), "digits of what resolution?", "give resolution too")
        if given.range_percent and isinstance(reading, schema.HandReadingTable):
            what = "percent of a range that a hand instrument's table does not give"
            report.add((*path, "range_percent"), what, "0; use floor")


def orders(report: Report, tables: Tables, today: datetime.date) -> None:
    """The byte order has as many bytes as the type, and the last register exists."""
    for name, reading in tables.readings.items():
        if not isinstance(reading, schema.ModbusReadingTable):
            continue
        short = WORDS[reading.type] == 1
        if reading.order is not None and (reading.order in SIXTEEN_BIT) != short:
            allowed = "AB, BA" if short else "ABCD, CDAB, BADC, DCBA"
            what = f"{reading.order} is no order of {reading.type}"
            report.add(("readings", name, "order"), what, allowed)
        if reading.address + WORDS[reading.type] > 65536:
            report.add(
                ("readings", name, "address"), "ends past the last register", "at most 65534"
            )
        if reading.scale == 0.0:
            report.add(("readings", name, "scale"), "0 would make every reading the same", "not 0")


def hand_entered(report: Report, tables: Tables, today: datetime.date) -> None:
    """Only slow, dead-test and water values may come from a person."""
    for name, reading in tables.readings.items():
        hand = isinstance(reading, schema.HandReadingTable)
        if hand and name in QUANTITIES and name not in HAND_READINGS:
            what = f"{name} can't be entered by hand"
            report.add(("readings", name, "hand"), what, f"by hand: {', '.join(HAND_READINGS)}")


def _needed_span(tables: Tables) -> dict[str, float]:
    """Quantity to the value that its range must reach, in the quantity's unit."""
    needed = dict.fromkeys((LEAKAGE_MA, "second_leakage_ma"), CUT_OFF_MA)
    if tables.supply is not None:
        volts = tables.supply.line_to_neutral_v * (1 + tables.supply.tolerance_percent / 100)
        legs = 2 if "feed_line_line" in tables.named("outputs") else 1
        needed |= {"supply_v": volts, "supply_2_v": volts, BAY_V: legs * volts}
    return needed


def ranges(report: Report, tables: Tables, today: datetime.date) -> None:
    """Low below high, and high enough for what the bench has to see."""
    needed = _needed_span(tables)
    for name, reading in tables.readings.items():
        if isinstance(reading, schema.HandReadingTable):
            continue
        low, high = reading.range
        path: Path = ("readings", name, "range")
        if low >= high:
            report.add(path, f"[{low:g}, {high:g}] is empty", "low before high")
            continue
        target = QUANTITIES.get(name, "")
        if name in needed and reading.unit in (convertible(target) if target else ()):
            top = conversion(reading.unit, target).apply(high)
            if top <= needed[name]:
                report.add(path, f"ends at {top:g} {target}", f"above {needed[name]:g} {target}")


def ages(report: Report, tables: Tables, today: datetime.date) -> None:
    """A reading that is renewed more slowly than it goes stale would always be stale."""
    for name, reading in tables.readings.items():
        period_s = _period_s(tables, reading)
        if period_s is not None and not isinstance(reading, schema.HandReadingTable):
            if reading.max_age_s <= period_s:
                what = f"{reading.max_age_s:g} s is not longer than its period of {period_s:g} s"
                report.add(("readings", name, "max_age_s"), what, f"more than {period_s:g}")
            if name in REQUIRED_READINGS and reading.max_age_s > 2.0:
                what = f"{reading.max_age_s:g} s is too old to switch off by"
                report.add(("readings", name, "max_age_s"), what, "at most 2")


def asking(report: Report, tables: Tables, today: datetime.date) -> None:
    """A question put more rarely than the instrument answers anew would lose samples."""
    for name, device in tables.devices.items():
        queries = device.queries if isinstance(device, schema.ScpiDeviceTable) else {}
        for query, told in queries.items():
            if told.ask_s is not None and told.ask_s > told.period_s:
                what = f"{told.ask_s:g} s is longer than the period of {told.period_s:g} s"
                path = ("devices", name, "queries", query, "ask_s")
                report.add(path, what, f"at most {told.period_s:g}")


def _period_s(tables: Tables, reading: schema.ReadingTable) -> float | None:
    """How often a reading is asked for; 0 for a meter that prints by itself; None if unknown."""
    if isinstance(reading, schema.ModbusReadingTable):
        return reading.period_s
    if isinstance(reading, schema.ScpiReadingTable):
        device = tables.devices.get(reading.device)
        queries = device.queries if isinstance(device, schema.ScpiDeviceTable) else {}
        return queries[reading.query].period_s if reading.query in queries else None
    return 0.0


def calibration(report: Report, tables: Tables, today: datetime.date) -> None:
    """Every device whose readings decide is calibrated, and its calibration is not overdue."""
    deciding = {
        reading.device
        for name, reading in tables.readings.items()
        if not isinstance(reading, schema.HandReadingTable) and name not in UNDECIDING
    }
    for name, device in tables.devices.items():
        since, due, path = device.calibrated, device.calibration_due, ("devices", name)
        if name in deciding and (since is None or due is None):
            key = "calibrated" if since is None else "calibration_due"
            what = "missing; this device's readings decide"
            report.add((*path, key), what, "calibrated and calibration_due, dates")
        if since is not None and since > today:
            report.add((*path, "calibrated"), f"{since} is in the future", f"at most {today}")
        if due is not None and due < today:
            what = f"overdue since {due}"
            report.add((*path, "calibration_due"), what, f"{today} or later: calibrate the device")
        if since is not None and due is not None and due <= since:
            report.add((*path, "calibration_due"), f"{due} is not after {since}", "a later date")


def supply(report: Report, tables: Tables, today: datetime.date) -> None:
    """The supply's own figures fit one another and the feeds."""
    facts = tables.supply
    if facts is None:
        return
    bolted_ma = 1000 * facts.line_to_neutral_v / facts.series_ohm
    if bolted_ma >= CUT_OFF_MA:
        least = 1000 * facts.line_to_neutral_v / CUT_OFF_MA
        what = f"lets {bolted_ma:.2f} mA into a bolted fault"
        report.add(("supply", "series_ohm"), what, f"more than {least:.0f}")
    if facts.protection == "gfci" and facts.rated_residual_ma > 6.0:
        what = f"{facts.rated_residual_ma:g} mA is no Class A device (UL 943)"
        report.add(("supply", "rated_residual_ma"), what, "4 to 6 for gfci")
    if facts.system == "single-phase":
        for section, name in (("outputs", "feed_line_line"), ("readings", "supply_2_v")):
            if name in tables.named(section):
                report.add((section, name), "a single-phase supply has no second leg", "remove it")


def watched(report: Report, tables: Tables, today: datetime.date) -> None:
    """With kinds B and C the board's own watchdog must drop both contactors."""
    dog = tables.watchdog
    if not isinstance(dog, schema.RegisterWatchdogTable) or dog.device not in tables.devices:
        return
    for name in CONTACTORS:
        out = tables.outputs.get(name)
        if out is not None and out.device != dog.device:
            what = f"the watchdog is in {shown(dog.device)} and doesn't drop this contactor"
            report.add(("outputs", name, "device"), what, shown(dog.device))


def vectors(report: Report, tables: Tables, today: datetime.date) -> None:
    """A vector has two parts: one alone is no vector."""
    given = tables.named("readings")
    for pair in PAIRS:
        for one, other in (pair, pair[::-1]):
            if one in given and other not in given:
                report.add(
                    ("readings", one), f"is half of a vector without {other}", "both or none"
                )


def bay_charge(report: Report, tables: Tables, today: datetime.date) -> None:
    """Stored charge has a sign: a range that starts at 0 hides half of it."""
    reading = tables.readings.get(BAY_DC_V)
    if isinstance(reading, schema.ModbusReadingTable) and reading.range[0] >= 0.0:
        report.add(("readings", BAY_DC_V, "range"), "hides negative charge", "low below 0")


def known(report: Report, tables: Tables, today: datetime.date) -> None:
    """Known resistors prove a meter only where there are a relay, a value, and that meter."""
    fitted, values = KNOWN_RESISTORS in tables.named("outputs"), tables.named("known")
    if fitted and not values:
        what = "nothing says what the resistors are"
        report.add(("outputs", KNOWN_RESISTORS), what, "[known] with the value of each")
    for name in sorted(values):
        if not fitted:
            what = f"nothing switches it on without an output {KNOWN_RESISTORS}"
            report.add(("known", name), what, "an output for it, or remove it")
        elif name not in tables.named("readings"):
            report.add(("known", name), f"no reading {name}", "the reading, or remove it")


Rule = Callable[[Report, Tables, datetime.date], None]
RULES: tuple[Rule, ...] = (
    names,
    references,
    patterns,
    identities,
    inputs,
    units,
    statements,
    orders,
    hand_entered,
    ranges,
    ages,
    asking,
    calibration,
    supply,
    watched,
    vectors,
    bay_charge,
    known,
    waveform,
    lambda report, tables, today: channels(report, tables),
    lambda report, tables, today: timing(report, tables),
)


def judge(report: Report, tables: Tables, today: datetime.date) -> None:
    """Apply every rule."""
    for rule in RULES:
        rule(report, tables, today)
