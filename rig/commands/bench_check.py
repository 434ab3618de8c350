"""milliproof bench check: open each line, identify, read everything for a second; switch nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import with_bench, with_json
from rig.commands.output import emit, say, show_table
from rig.errors import Exit

if TYPE_CHECKING:
    from drivers.roles import Clock, Station
    from rig.bench_file import Bench

LOOK_S = 1.2
EPILOG = """\b
Examples:
  milliproof bench check --bench my-bench.toml
  milliproof bench check --bench my-bench.toml --json

\b
Nothing is written to any device and nothing is switched on. A meter that prints lines only while
its test source is on shows no reading here.
Exit codes: 0 every line answers, 2 something is wrong with the file, a line or a device."""


@dataclass(slots=True)
class Findings:
    """What was seen. ``problems`` are words, one per line or device."""

    virtual: bool = False
    identities: dict[str, str] = field(default_factory=dict)
    inputs: dict[str, dict[str, Any]] = field(default_factory=dict)
    readings: dict[str, dict[str, Any]] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)


def _open(bench: Bench, clock: Clock, found: Findings) -> dict[str, Station]:
    """Every line that opens; one that doesn't is a problem and no reason to skip the others."""
    from drivers.errors import DriverError
    from drivers.station import open_stations

    stations: dict[str, Station] = {}
    for name, line in bench.spec.lines.items():
        try:
            stations |= open_stations(replace(bench.spec, lines={name: line}), clock)
        except DriverError as exc:
            found.problems.append(str(exc))
    return stations


def _identify(bench: Bench, stations: Mapping[str, Station], found: Findings) -> None:
    from drivers.errors import DriverError
    from rig.bench import NotThatBench, shows_token

    for station in stations.values():
        try:
            found.identities.update(station.identify())
        except DriverError as exc:
            found.problems.append(str(exc))
    claim = bench.virtual
    if claim is not None and bench.spec.devices[claim.device].line in stations:
        try:
            found.virtual = shows_token(bench, stations)
        except (DriverError, NotThatBench) as exc:
            found.problems.append(str(exc))


def _watch(bench: Bench, stations: Mapping[str, Station], clock: Clock) -> None:
    start_s = clock.now_s()
    while clock.now_s() < start_s + LOOK_S:
        turn_s = clock.now_s()
        for station in stations.values():
            station.poll()
        clock.sleep_until(turn_s + bench.scan_s)


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _gather(stations: Mapping[str, Station], now_s: float, found: Findings) -> None:
    for station in stations.values():
        if station.fault is not None:
            found.problems.append(str(station.fault))
        for name, flag in station.inputs.items():
            found.inputs[name] = {"on": flag.on, "age_s": round(now_s - flag.taken_s, 3)}
        for name, reading in station.readings.items():
            found.readings[name] = {
                "value": _number(reading.value),
                "unit": reading.unit,
                "quality": str(reading.quality),
                "age_s": round(now_s - reading.taken_s, 3),
            }


def _missing(bench: Bench, found: Findings) -> None:
    """What never came. A meter that prints by itself is silent while its source is off."""
    from drivers.described import PrintedReading

    asked = [n for n, r in bench.spec.readings.items() if not isinstance(r, PrintedReading)]
    for kind, names, got in (
        ("input", list(bench.spec.inputs), found.inputs),
        ("reading", asked, found.readings),
    ):
        silent = [name for name in names if name not in got]
        if silent:
            found.problems.append(f"no {kind} came from: {', '.join(silent)}")


def look(bench: Bench) -> Findings:
    """Open, identify and read every line of ``bench``. Writes nothing; always closes the ports."""
    from drivers.roles import RealClock

    clock, found = RealClock(), Findings()
    stations = _open(bench, clock, found)
    try:
        _identify(bench, stations, found)
        _watch(bench, stations, clock)
        _gather(stations, clock.now_s(), found)
    finally:
        for station in stations.values():
            station.close()
    _missing(bench, found)
    return found


def _show(bench: Bench, found: Findings) -> None:
    kind = "SIMULATED: a virtual bench, proved by its run token" if found.virtual else "real bench"
    click.echo(f"{bench.name} ({bench.id}): {kind}")
    for device, words in found.identities.items():
        click.echo(f"{device}: {words}")
    rows = [
        (name, "on" if seen["on"] else "off", f"{seen['age_s']:.2f} s")
        for name, seen in found.inputs.items()
    ]
    show_table("Inputs", ("input", "state", "age"), rows)
    values = [_reading_row(bench, name, found.readings.get(name)) for name in bench.spec.readings]
    show_table("Readings", ("reading", "value", "quality", "age"), values)


def _reading_row(bench: Bench, name: str, seen: Mapping[str, Any] | None) -> tuple[str, ...]:
    if seen is None:
        return (name, "--", "no reading", "")
    number = "--" if seen["value"] is None else f"{seen['value']:.4g} {seen['unit']}"
    stale = " (stale)" if seen["age_s"] > bench.max_age_s[name] else ""
    return (name, number, f"{seen['quality']}{stale}", f"{seen['age_s']:.2f} s")


@click.command(epilog=EPILOG)
@with_bench
@with_json
def check(bench_path: Path, as_json: bool) -> Exit:
    """Open each line, identify, read each input and reading. Energises nothing."""
    from rig.bench_file import load_bench
    from rig.home import bench_lock

    bench = load_bench(bench_path)
    with bench_lock(bench.id):
        found = look(bench)
    if as_json:
        emit({"bench": bench.id, "virtual": found.virtual, **_json(found)})
    else:
        _show(bench, found)
    for problem in found.problems:
        say(f"problem: {problem}")
    if not found.problems:
        say("every line answers; nothing was switched")
    return Exit.WRONG_USE if found.problems else Exit.DONE


def _json(found: Findings) -> dict[str, Any]:
    keys = ("identities", "inputs", "readings", "problems")
    return {key: getattr(found, key) for key in keys}
