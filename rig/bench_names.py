"""The names that a bench file may give to outputs, inputs and readings, and those it must give."""

from __future__ import annotations

import datetime
import re

from procedures.scan import (
    AIDS,
    BAY_V,
    FEEDS,
    GFCI_INJECTOR,
    KNOWN_RESISTORS,
    LEAKAGE_MA,
    PROOF_OUTPUTS,
    QUANTITIES,
    SOURCES,
)
from rig.bench_tables import Report, Tables

CONTACTORS = ("contactor_1", "contactor_2")
SINGLE_OUTPUTS = (
    *CONTACTORS,
    "lid_lock",
    "voltage_check",
    "positive_control",
    *(f"feed_{feed}" for feed in FEEDS),
    *(f"source_{source}" for source in SOURCES),
    *(f"aid_{aid}" for aid in AIDS),
    *PROOF_OUTPUTS,
    GFCI_INJECTOR,
    KNOWN_RESISTORS,
)
REQUIRED_OUTPUTS = (*CONTACTORS, "lid_lock", "positive_control", "feed_limited")
REQUIRED_INPUTS = (
    "contactor_1_open",
    "contactor_2_open",
    "stop_healthy",
    "lid_closed",
    "lid_locked",
    "gfci_live",
    "arm_pressed",
)
INPUTS = (
    *REQUIRED_INPUTS,
    "bays_open",
    "feeds_open",
    "earth_ok",
    "level_ok",
    "flow_ok",
    "thermal_ok",
    "hood_ok",
    "part_output_live",
)
REQUIRED_READINGS = (LEAKAGE_MA, BAY_V)


def bay_outputs(bays: int) -> tuple[str, ...]:
    """The output names of the bays."""
    return tuple(f"bay_{n}" for n in range(1, bays + 1))


def names(report: Report, tables: Tables, today: datetime.date) -> None:
    """Every output, input and reading is one that the rig knows, and the required ones are there."""
    bays = bay_outputs(tables.bench.bays) if tables.bench else ()
    known = {
        "outputs": ((*SINGLE_OUTPUTS, *bays), (*REQUIRED_OUTPUTS, *bays)),
        "inputs": (INPUTS, REQUIRED_INPUTS),
        "readings": (tuple(QUANTITIES), REQUIRED_READINGS),
    }
    for section, (allowed, required) in known.items():
        given = tables.named(section)
        for name in sorted(given - set(allowed)):
            if tables.bench is not None or not name.startswith("bay_"):
                _unknown_name(report, tables, section, name, allowed)
        for name in required:
            if name not in given and isinstance(tables.raw.get(section), dict):
                report.add((section, name), "missing; every bench needs it")


def _unknown_name(
    report: Report, tables: Tables, section: str, name: str, allowed: tuple[str, ...]
) -> None:
    if re.fullmatch(r"bay_\d+", name) and section == "outputs" and tables.bench:
        what = f"[bench] says bays = {tables.bench.bays}"
        report.add((section, name), what, f"bay_1 to bay_{tables.bench.bays}")
    else:
        report.unknown((section, name), section[:-1], name, allowed)
