"""The bench file: everything about a physical bench and nothing about parts.

``load_bench`` reads a TOML file, refuses it with every problem at once (file, line, key, what is
wrong, what is allowed), or returns a frozen ``Bench`` for the rest of the rig.
"""

from __future__ import annotations

import datetime
import hashlib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, NoReturn

from drivers.described import BenchSpec
from procedures.scan import (
    AIDS,
    FEEDS,
    GFCI_INJECTOR,
    KNOWN_RESISTORS,
    PROOF_OUTPUTS,
    QUANTITIES,
    SOURCES,
    Accuracy,
    Aid,
    Feed,
    Source,
)
from rig import bench_schema as schema
from rig.bench_described import described_spec
from rig.bench_rules import judge
from rig.bench_tables import Report, Tables, read_tables
from rig.errors import BenchFileProblems, Problem
from rig.toml_lines import key_lines
from rig.units import conversion

LARGEST_BYTES = 1_000_000
_Hand = schema.HandReadingTable


@dataclass(frozen=True, slots=True)
class Supply:
    """The supply system. Volts leg to neutral; ``series_ohm`` limits the limited feed."""

    system: Literal["split-phase", "single-phase"]
    line_to_neutral_v: float
    frequency_hz: float
    tolerance_percent: float
    protection: Literal["gfci", "rcd"]
    rated_residual_ma: float
    series_ohm: float
    series_percent: float
    control_ma: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """When a device was calibrated and until when that holds."""

    calibrated: datetime.date
    due: datetime.date


@dataclass(frozen=True, slots=True)
class Virtual:
    """What a virtual bench's file says of itself; the token (hex) is proved over the line."""

    token: str
    device: str
    register: int
    control: str
    lockstep: bool


@dataclass(frozen=True, slots=True)
class Capabilities:
    """What is fitted. ``quantities`` are read by instruments, ``hand`` are entered by a person."""

    feeds: frozenset[Feed]
    sources: frozenset[Source]
    aids: frozenset[Aid]
    proof: frozenset[str]
    quantities: frozenset[str]
    inputs: frozenset[str]
    hand: frozenset[str]


@dataclass(frozen=True, slots=True)
class Bench:
    """A bench as described. ``accuracy`` and ``max_age_s`` are by quantity, accuracy in the
    quantity's unit; ``hand_unit`` is the unit a person enters in; ``digest`` is the SHA-256 of the
    file's bytes, in hex."""

    path: str
    id: str
    name: str
    bays: int
    scan_s: float
    supply: Supply
    spec: BenchSpec
    accuracy: Mapping[str, Accuracy]
    max_age_s: Mapping[str, float]
    calibration: Mapping[str, Calibration]
    virtual: Virtual | None
    digest: str
    capabilities: Capabilities
    hand_unit: Mapping[str, str]
    known: Mapping[str, float] = field(default_factory=dict)  # resistors, by test quantity


def load_bench(path: Path | str, today: datetime.date | None = None) -> Bench:
    """The bench that the file describes; BenchFileProblems when anything is wrong with it.

    ``today`` decides about calibration; the machine's date unless given.
    """
    raw = _read(Path(path))
    data, text = _parse(str(path), raw)
    report = Report(str(path), key_lines(text))
    tables = read_tables(report, data)
    judge(report, tables, today or datetime.date.today())
    if report.problems:
        raise BenchFileProblems(report.problems)
    return _bench(str(path), hashlib.sha256(raw).hexdigest(), tables)


# ---- from disk to tables -----------------------------------------------------------------------------


def _refuse(file: str, what: str, allowed: str = "", line: int = 0) -> NoReturn:
    raise BenchFileProblems([Problem(file, line, "", what, allowed)])


def _read(path: Path) -> bytes:
    start = "an existing file; milliproof bench describe writes one to start from"
    try:
        if path.is_dir():
            _refuse(str(path), "is a directory", "a bench file")
        if path.exists() and not path.is_file():
            _refuse(str(path), "is no ordinary file", "a bench file")
        with path.open("rb") as file:
            raw = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        _refuse(str(path), "no such file", start)
    except (OSError, ValueError) as exc:
        _refuse(str(path), f"can't be read: {getattr(exc, 'strerror', None) or exc}", start)
    if len(raw) > LARGEST_BYTES:
        _refuse(str(path), "is too large for a bench file", f"{LARGEST_BYTES} bytes")
    return raw


def _parse(file: str, raw: bytes) -> tuple[dict[str, Any], str]:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = raw[: exc.start].count(b"\n") + 1
        _refuse(file, f"byte 0x{raw[exc.start]:02x} is not UTF-8", "UTF-8 text", line)
    text = text.replace("\r\n", "\n")
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as exc:
        found = re.search(r"\(at line (\d+)", str(exc))
        line = int(found.group(1)) if found else text.count("\n") + 1
        _refuse(file, f"not TOML: {re.sub(r' [(]at .*', '', str(exc))}", "TOML 1.0", line)
    except (RecursionError, ValueError) as exc:
        _refuse(file, f"not readable as TOML: {exc}", "TOML 1.0", 1)


# ---- from tables to a bench --------------------------------------------------------------------------


def _accuracy(tables: Tables) -> dict[str, Accuracy]:
    """In the quantity's unit; percent stays percent."""
    found: dict[str, Accuracy] = {}
    for name, table in tables.readings.items():
        if table.accuracy is not None:
            scale = abs(conversion(table.unit, QUANTITIES[name]).scale)
            found[name] = _statement(table.accuracy, getattr(table, "range", [0.0]), scale)
    return found


def _statement(table: schema.AccuracyTable, range_: list[float], scale: float) -> Accuracy:
    """One statement; its full scale is the greater end of the reading's range."""
    resolution = table.resolution
    return Accuracy(
        percent=table.percent,
        floor=table.floor * scale,
        range_percent=table.range_percent,
        full=max(map(abs, range_)) * scale if table.range_percent else 0.0,
        digits=table.digits,
        resolution=None if resolution is None else resolution * scale,
        temperature_percent_per_k=table.temperature_percent_per_k,
        calibration_percent=table.calibration_percent,
    )


def _capabilities(tables: Tables) -> Capabilities:
    outputs = set(tables.outputs)
    hand = {n for n, t in tables.readings.items() if isinstance(t, schema.HandReadingTable)}
    return Capabilities(
        feeds=frozenset(feed for feed in FEEDS if f"feed_{feed}" in outputs),
        sources=frozenset(source for source in SOURCES if f"source_{source}" in outputs),
        aids=frozenset(aid for aid in AIDS if f"aid_{aid}" in outputs),
        proof=frozenset({*PROOF_OUTPUTS, GFCI_INJECTOR, KNOWN_RESISTORS} & outputs),
        quantities=frozenset(tables.readings.keys() - hand),
        inputs=frozenset(tables.inputs),
        hand=frozenset(hand),
    )


def _virtual(table: schema.VirtualTable | None) -> Virtual | None:
    if table is None:
        return None
    token = table.token.lower()
    return Virtual(token, table.device, table.register_, table.control, table.lockstep)


def _calibration(tables: Tables) -> dict[str, Calibration]:
    return {
        name: Calibration(device.calibrated, device.calibration_due)
        for name, device in tables.devices.items()
        if device.calibrated is not None and device.calibration_due is not None
    }


def _bench(path: str, digest: str, tables: Tables) -> Bench:
    head, supply, spec = tables.bench, tables.supply, described_spec(tables)
    if head is None or supply is None or spec is None:
        raise ValueError("incomplete tables")  # the rules have refused such a file already
    readings = tables.readings.items()
    return Bench(
        path=path,
        id=head.id,
        name=head.name,
        bays=head.bays,
        scan_s=head.scan_s,
        supply=Supply(**supply.model_dump()),
        spec=spec,
        accuracy=_accuracy(tables),
        max_age_s={n: t.max_age_s for n, t in readings if not isinstance(t, _Hand)},
        calibration=_calibration(tables),
        virtual=_virtual(tables.virtual),
        digest=digest,
        capabilities=_capabilities(tables),
        hand_unit={n: t.unit for n, t in readings if isinstance(t, _Hand)},
        known=tables.known.model_dump(exclude_none=True) if tables.known else {},
    )
