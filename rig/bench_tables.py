"""A bench file's tables, each checked against its schema; every problem is kept, none stops the rest."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from rig import bench_schema as schema
from rig.errors import Problem
from rig.toml_lines import Path, line_of

T = TypeVar("T", bound=BaseModel)
Entry = Mapping[str, Any]
NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,63}")


def meant(word: object, known: Iterable[str]) -> str:
    """The known word that ``word`` is probably a slip of, else nothing."""
    close = difflib.get_close_matches(str(word), list(known), n=1, cutoff=0.6)
    return close[0] if close else ""


def shown(value: object) -> str:
    """A value as a person wrote it, cut short."""
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


@dataclass(slots=True)
class Report:
    """Collects problems and knows on which line each key stands."""

    file: str
    lines: dict[Path, int]
    problems: list[Problem] = field(default_factory=list)

    def add(self, path: Path, what: str, allowed: str = "", meant: str = "") -> None:
        """Note one problem at ``path``."""
        key = ".".join(str(part) for part in path)
        line = line_of(self.lines, path)
        self.problems.append(Problem(self.file, line, key, what, allowed, meant))

    def unknown(self, path: Path, kind: str, word: object, known: Iterable[str]) -> None:
        """Note a word that is none of ``known``."""
        words = sorted(known)
        self.add(path, f"unknown {kind} {shown(word)}", ", ".join(words), meant(word, words))


@dataclass(slots=True)
class Tables:
    """What could be read. An entry that is wrong in itself is missing here but named in ``raw``."""

    raw: Entry
    bench: schema.BenchTable | None = None
    supply: schema.SupplyTable | None = None
    watchdog: schema.RegisterWatchdogTable | schema.CoilWatchdogTable | None = None
    virtual: schema.VirtualTable | None = None
    known: schema.KnownTable | None = None
    waveform: schema.WaveformTable | None = None
    lines: dict[str, schema.LineTable] = field(default_factory=dict)
    devices: dict[str, schema.DeviceTable] = field(default_factory=dict)
    outputs: dict[str, schema.OutputTable] = field(default_factory=dict)
    inputs: dict[str, schema.InputTable] = field(default_factory=dict)
    readings: dict[str, schema.ReadingTable] = field(default_factory=dict)

    def named(self, section: str) -> frozenset[str]:
        """Every name that the file gives in a section, right or wrong."""
        entries = self.raw.get(section)
        return frozenset(entries) if isinstance(entries, dict) else frozenset()


# ---- one table against one schema -------------------------------------------------------------------


def _keys(model: type[BaseModel]) -> list[str]:
    return [info.alias or name for name, info in model.model_fields.items()]


def _models_in(annotation: object) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in get_args(annotation) for model in _models_in(part)]


def _model_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> type[BaseModel]:
    """The table that a pydantic location points into."""
    for part in loc:
        info = model.model_fields.get(str(part))
        inner = _models_in(info.annotation) if info else []
        model = inner[0] if inner else model
    return model


def _quoted_choices(error: ErrorDetails) -> list[str]:
    return [word.strip("'") for word in re.split(r", | or ", str(error["ctx"]["expected"]))]


def _bound(words: str, name: str) -> Callable[[ErrorDetails], tuple[str, str]]:
    return lambda e: (f"{shown(e['input'])} is out of range", f"{words} {e['ctx'][name]:g}")


def _wrong_type(allowed: str) -> Callable[[ErrorDetails], tuple[str, str]]:
    return lambda e: (f"{shown(e['input'])} is of the wrong type", allowed)


_WORDS: Mapping[str, Callable[[ErrorDetails], tuple[str, str]]] = {
    "missing": lambda e: ("missing", ""),
    "finite_number": lambda e: (f"{shown(e['input'])} is not a finite number", "a finite number"),
    "greater_than": _bound("more than", "gt"),
    "greater_than_equal": _bound("at least", "ge"),
    "less_than": _bound("less than", "lt"),
    "less_than_equal": _bound("at most", "le"),
    "float_type": _wrong_type("a number"),
    "int_type": _wrong_type("a whole number"),
    "string_type": _wrong_type("a text in quotes"),
    "bool_type": _wrong_type("true or false"),
    "date_type": _wrong_type("a date such as 2026-03-02, without quotes"),
    "date_from_datetime_inexact": _wrong_type("a date such as 2026-03-02, without a time"),
    "list_type": _wrong_type("a list [low, high]"),
    "dict_type": _wrong_type("a table"),
    "model_type": _wrong_type("a table"),
    "model_attributes_type": _wrong_type("a table"),
    "too_short": lambda e: ("too few values", f"{e['ctx']['min_length']} values"),
    "too_long": lambda e: ("too many values", f"{e['ctx']['max_length']} values"),
    "string_too_short": lambda e: ("empty", "at least one character"),
    "string_too_long": lambda e: ("too long", f"at most {e['ctx']['max_length']} characters"),
    "string_pattern_mismatch": lambda e: (
        f"{shown(e['input'])} has a form that is not allowed",
        f"the form {e['ctx']['pattern']}",
    ),
}


def _report_error(report: Report, path: Path, model: type[BaseModel], error: ErrorDetails) -> None:
    loc = error["loc"]
    where = (*path, *loc)
    if error["type"] == "extra_forbidden":
        report.unknown(where, "key", loc[-1], _keys(_model_at(model, loc[:-1])))
    elif error["type"] == "literal_error":
        choices = _quoted_choices(error)
        close = meant(error["input"], choices)
        report.add(where, f"{shown(error['input'])} is not allowed", ", ".join(choices), close)
    else:
        words = _WORDS.get(error["type"])
        what, allowed = words(error) if words else (str(error["msg"]), "")
        report.add(where, what, allowed)


def check(report: Report, path: Path, value: object, model: type[T]) -> T | None:
    """``value`` as ``model``, or None with each problem reported."""
    try:
        return model.model_validate(value)
    except ValidationError as exc:
        for error in exc.errors(include_url=False):
            _report_error(report, path, model, error)
    return None


# ---- which schema ------------------------------------------------------------------------------------


def _chosen(report: Report, path: Path, entry: Entry, kinds: Mapping[str, type[T]]) -> T | None:
    """By the entry's ``kind``."""
    kind = entry.get("kind")
    if "kind" not in entry:
        report.add((*path, "kind"), "missing", ", ".join(kinds))
    elif not isinstance(kind, str) or kind not in kinds:
        report.unknown((*path, "kind"), "kind", kind, kinds)
    else:
        return check(report, path, entry, kinds[kind])
    return None


def _kind_of_line(tables: Tables, line: object) -> str:
    found = tables.lines.get(line) if isinstance(line, str) else None
    return found.kind if found else ""


def _line(report: Report, path: Path, entry: Entry, tables: Tables) -> schema.LineTable | None:
    return _chosen(report, path, entry, schema.LINE_TABLES)


def _device(report: Report, path: Path, entry: Entry, tables: Tables) -> schema.DeviceTable | None:
    line = entry.get("line")
    kind = _kind_of_line(tables, line)
    if kind:
        return check(report, path, entry, schema.DEVICE_TABLES[kind])
    if "line" not in entry:
        report.add((*path, "line"), "missing", ", ".join(sorted(tables.named("lines"))))
    elif not isinstance(line, str) or line not in tables.named("lines"):
        report.unknown((*path, "line"), "line", line, tables.named("lines"))
    return None


def _output(report: Report, path: Path, entry: Entry, tables: Tables) -> schema.OutputTable | None:
    return check(report, path, entry, schema.OutputTable)


def _input(report: Report, path: Path, entry: Entry, tables: Tables) -> schema.InputTable | None:
    return check(report, path, entry, schema.InputTable)


def _reading_model(entry: Entry, tables: Tables) -> type[schema.ReadingTable] | None:
    if "hand" in entry:
        return schema.HandReadingTable
    device = entry.get("device")
    found = tables.devices.get(device) if isinstance(device, str) else None
    kind = _kind_of_line(tables, found.line) if found else ""
    if kind:
        return schema.READING_TABLES[kind]
    return next((model for key, model in schema.READING_KEYS.items() if key in entry), None)


def _reading(
    report: Report, path: Path, entry: Entry, tables: Tables
) -> schema.ReadingTable | None:
    model = _reading_model(entry, tables)
    if model is None:
        report.add(path, "doesn't say how it is read", "address, query, pattern or hand = true")
        return None
    return check(report, path, entry, model)


def _watchdog(report: Report, entry: Entry) -> Any:
    kinds: Mapping[str, type[schema.RegisterWatchdogTable | schema.CoilWatchdogTable]] = {
        "B": schema.RegisterWatchdogTable,
        "C": schema.RegisterWatchdogTable,
        "F": schema.CoilWatchdogTable,
    }
    if entry.get("kind") == "none":
        report.add(("watchdog", "kind"), "a bench without a watchdog must not energise", "B, C, F")
        return None
    return _chosen(report, ("watchdog",), entry, kinds)


# ---- the whole file ----------------------------------------------------------------------------------

_OPTIONAL = ("virtual", "waveform", "known")
_SINGLE = ("bench", "supply", "watchdog", *_OPTIONAL)
_NAMED: Mapping[str, Callable[[Report, Path, Entry, Tables], Any]] = {  # in this order
    "lines": _line,
    "devices": _device,
    "outputs": _output,
    "inputs": _input,
    "readings": _reading,
}
_SECTIONS = ("format", *_SINGLE, *_NAMED)


def _section(report: Report, data: Entry, name: str) -> Entry | None:
    value = data.get(name)
    if isinstance(value, dict):
        return value
    if name not in data:
        what = "no watchdog: a bench without one must not energise" if name == "watchdog" else ""
        report.add((name,), what or "missing", f"a table [{name}]")
    else:
        report.add((name,), f"{shown(value)} is of the wrong type", f"a table [{name}]")
    return None


def _read_single(report: Report, data: Entry, tables: Tables) -> None:
    plain: Mapping[str, type[BaseModel]] = {
        "bench": schema.BenchTable,
        "supply": schema.SupplyTable,
        "virtual": schema.VirtualTable,
        "known": schema.KnownTable,
        "waveform": schema.WaveformTable,
    }
    for name in _SINGLE:
        if name in _OPTIONAL and name not in data:
            continue
        entry = _section(report, data, name)
        if entry is not None and name == "watchdog":
            tables.watchdog = _watchdog(report, entry)
        elif entry is not None:
            setattr(tables, name, check(report, (name,), entry, plain[name]))


def _read_named(report: Report, data: Entry, tables: Tables) -> None:
    for section, read in _NAMED.items():
        for name, entry in (_section(report, data, section) or {}).items():
            path = (section, name)
            if not NAME.fullmatch(name):
                report.add(path, "not a usable name", "letters, digits, _ and -, a letter first")
            elif not isinstance(entry, dict):
                report.add(path, f"{shown(entry)} is of the wrong type", "a table")
            elif (table := read(report, path, entry, tables)) is not None:
                getattr(tables, section)[name] = table


def read_tables(report: Report, data: Entry) -> Tables:
    """Every table of the file that is right in itself; what is wrong goes into ``report``."""
    tables = Tables(data)
    for name in data:
        if name not in _SECTIONS:
            report.unknown((name,), "key", name, _SECTIONS)
    if data.get("format") != 1 or isinstance(data.get("format"), bool):
        what = f"{shown(data['format'])} is not known" if "format" in data else "missing"
        report.add(("format",), what, "1")
    _read_single(report, data, tables)
    _read_named(report, data, tables)
    return tables
