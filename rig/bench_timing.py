"""Does one scan fit? Wire time plus declared latencies, per line, against scan and watchdog.

Serial characters are 1 start bit, 8 data bits, parity and stop bits; a Modbus RTU frame is set off by
3.5 characters, fixed at 1.75 ms above 19200 baud (MODBUS over Serial Line V1.02, 2.5.1.1). The
transactions are those that the drivers plan, not an estimate of them. Times in s.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from drivers import blocks, definite, modbus
from drivers.described import BenchSpec, DeviceSpec, LineSpec, ScpiReading
from drivers.errors import DriverError
from drivers.modbus_station import coil_runs
from rig.bench_described import described_spec
from rig.bench_tables import Report, Tables

MODBUS = ("rtu", "modbus-tcp")
SERIAL = ("rtu", "scpi-serial")
RTU_FRAME = 3  # bytes around a PDU: unit and CRC
BLOCK_HEAD = 9  # bytes of "#", digits and comma around a block
FIELD = 16  # bytes that a field of a SCPI reply may have


class Cost(NamedTuple):
    """A transaction of ``device``: what it takes and when it is given up."""

    device: str
    takes_s: float
    deadline_s: float


def character_s(line: LineSpec) -> float:
    """Seconds a character takes on the wire; 0 on a network."""
    bits = 1 + 8 + (line.parity != "none") + line.stop_bits
    return bits / line.baud if line.kind in SERIAL else 0.0


def rtu_s(line: LineSpec, sent: int, received: int) -> float:
    """Seconds that frames of so many bytes take on an RTU line, with a gap before each."""
    gap_s = 0.00175 if line.baud > 19200 else 3.5 * character_s(line)
    return (sent + received) * character_s(line) + 2 * gap_s


def _modbus_cost(line: LineSpec, device: DeviceSpec, request: modbus.Request) -> Cost:
    wire_s = 0.0
    if line.kind == "rtu":
        wire_s = rtu_s(line, len(request.rtu), request.reply_bytes + RTU_FRAME)
    return Cost(device.name, wire_s + device.latency_s, device.deadline_s)


def _reads(spec: BenchSpec, line: LineSpec) -> Iterator[Cost]:
    """Everything is due at once in the busiest scan."""
    for group in blocks.groups(spec, line.name):
        for block in group.blocks:
            yield _modbus_cost(line, group.device, block.request)


def _beat(spec: BenchSpec, line: LineSpec) -> Iterator[Cost]:
    device = spec.devices[spec.watchdog.device]
    if device.line == line.name:
        yield _modbus_cost(line, device, modbus.write_register(device.unit, 0, 0))


def _runs(spec: BenchSpec, line: LineSpec) -> list[tuple[Cost, Cost]]:
    """Writing and reading back of each contiguous run of outputs."""
    found = []
    for device in (one for one in spec.devices.values() if one.line == line.name):
        mine = [out for out in spec.outputs.values() if out.device == device.name]
        for address, states in coil_runs(mine, dict.fromkeys((out.name for out in mine), False)):
            write = modbus.write_coils(device.unit, address, states)
            back = modbus.read(device.unit, "coil", address, len(states))
            costs = (_modbus_cost(line, device, write), _modbus_cost(line, device, back))
            found.append(costs)
    return found


def _queries(spec: BenchSpec, line: LineSpec) -> Iterator[Cost]:
    asked = {(r.device, r.query) for r in spec.readings.values() if isinstance(r, ScpiReading)}
    for name, query in sorted(asked):
        device = spec.devices[name]
        if device.line == line.name and query in device.queries:
            told = device.queries[query]
            characters = len(told.command) + FIELD * max(1, told.reply.count("(")) + 2
            wire_s = characters * character_s(line)
            yield Cost(name, wire_s + device.latency_s, device.deadline_s)


def _capture(spec: BenchSpec, line: LineSpec) -> Iterator[Cost]:
    """A capture falls into a scan as any question does, with all its samples."""
    told = spec.waveform
    if told is not None and spec.devices[told.device].line == line.name:
        device = spec.devices[told.device]
        samples = told.points * len(told.channels) * definite.sample_bytes(told.type)
        characters = len(told.command) + samples + 2 + BLOCK_HEAD * len(told.channels)
        takes_s = characters * character_s(line) + device.latency_s
        yield Cost(device.name, takes_s, device.deadline_s)


def _busiest(spec: BenchSpec, line: LineSpec) -> tuple[list[Cost], list[Cost]]:
    """(an ordinary scan that changes one run of outputs, a scan that switches everything)."""
    if line.kind not in MODBUS:
        queries = [*_queries(spec, line), *_capture(spec, line)]
        return queries, queries
    always = [*_reads(spec, line), *_beat(spec, line)]
    runs = _runs(spec, line)
    costly = max(runs, key=lambda pair: pair[0].takes_s + pair[1].takes_s, default=())
    return [*always, *costly], [*always, *(cost for pair in runs for cost in pair)]


def _fits(report: Report, line: str, costs: list[Cost], most_s: float, words: str) -> None:
    total_s = sum(cost.takes_s for cost in costs)
    if total_s > most_s:
        what = f"the {len(costs)} transactions of {words} take {total_s:.3f} s"
        report.add(("lines", line), what, f"at most {most_s:g}; faster line, fewer devices")


def _deadlines(report: Report, line: str, costs: list[Cost], timeout_s: float) -> None:
    for device in dict.fromkeys(cost.device for cost in costs):
        longest = max((cost for cost in costs if cost.device == device), key=lambda c: c.takes_s)
        if longest.takes_s >= longest.deadline_s:
            what = f"{longest.deadline_s:g} s is no longer than a transaction takes"
            path = ("devices", device, "deadline_s")
            report.add(path, what, f"more than {longest.takes_s:.3f}")
    total_s = sum(cost.deadline_s for cost in costs)
    if total_s >= timeout_s:
        what = f"the deadlines of one scan's {len(costs)} transactions add up to {total_s:.3f} s"
        report.add(("lines", line), what, f"less than the watchdog's {timeout_s:g}")


def timing(report: Report, tables: Tables) -> None:
    """Report each line whose scan fits neither ``scan_s`` nor half the watchdog time."""
    spec = described_spec(tables)
    if spec is None or tables.bench is None:
        return
    timeout_s, scan_s = spec.watchdog.timeout_s, tables.bench.scan_s
    if scan_s > timeout_s / 2:
        what = f"{scan_s:g} s is more than half the watchdog's {timeout_s:g} s"
        report.add(("bench", "scan_s"), what, f"at most {timeout_s / 2:g}")
    for line in spec.lines.values():
        try:
            ordinary, everything = _busiest(spec, line)
        except DriverError:
            continue  # an address that can't be asked for is reported where it stands
        _fits(report, line.name, ordinary, min(scan_s, timeout_s / 2), "a scan")
        _fits(report, line.name, everything, timeout_s / 2, "switching every output")
        _deadlines(report, line.name, ordinary, timeout_s)
