"""Values from hand instruments, for what a bench has not fitted.

The bench file says ``hand = true``; the value is asked for each run, the instrument's name and
calibration date once per bench and quantity, kept as a record. A run's record says so.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from procedures.scan import QUANTITIES
from results.store import Store
from rig.bench_file import Bench
from rig.errors import RigError
from rig.units import conversion

Prompt = Callable[[str], str]


class HandValueWrong(RigError):
    """A value or date that was entered is no number or no date."""


@dataclass(frozen=True, slots=True)
class HandValue:
    """A value in the quantity's unit, and the instrument that it was read from."""

    value: float
    instrument: str
    calibrated: str


def hand_values(
    bench: Bench, store: Store, given: Mapping[str, float], prompt: Prompt
) -> dict[str, HandValue]:
    """Every hand quantity of the bench: ``given`` (in the bench file's unit) or asked for."""
    unknown = set(given) - bench.capabilities.hand
    if unknown:
        name = min(unknown)
        allowed = ", ".join(sorted(bench.capabilities.hand)) or "none on this bench"
        raise HandValueWrong(f"--hand {name}", "is not entered by hand here", f"allowed: {allowed}")
    return {
        name: _hand_value(bench, store, name, given.get(name), prompt)
        for name in sorted(bench.capabilities.hand)
    }


def _hand_value(
    bench: Bench, store: Store, name: str, given: float | None, prompt: Prompt
) -> HandValue:
    unit = bench.hand_unit[name]
    raw = given if given is not None else _number(name, prompt(f"{name} [{unit}]"))
    instrument, calibrated = _instrument(bench, store, name, prompt)
    value = conversion(unit, QUANTITIES[name]).apply(raw)
    return HandValue(value, instrument, calibrated)


def _instrument(bench: Bench, store: Store, name: str, prompt: Prompt) -> tuple[str, str]:
    """Name and calibration date: from the newest record, else asked and recorded."""
    known = store.newest("hand_instrument", bench.id, where={"quantity": name})
    if known is not None:
        return str(known.body["name"]), str(known.body["calibrated"])
    instrument = prompt(f"hand instrument for {name}: maker, type and number")
    calibrated = _date(name, prompt(f"calibrated on (YYYY-MM-DD), {instrument}"))
    body = {"quantity": name, "name": instrument, "calibrated": calibrated}
    store.append("hand_instrument", bench.id, body)
    return instrument, calibrated


def _number(name: str, typed: str) -> float:
    try:
        value = float(typed)
    except ValueError as fault:
        raise HandValueWrong(name, f"'{typed}' is no number", "enter digits only") from fault
    if not abs(value) < 1e12:
        raise HandValueWrong(name, f"'{typed}' is not finite", "enter a finite number")
    return value


def _date(name: str, typed: str) -> str:
    try:
        date = datetime.date.fromisoformat(typed)
    except ValueError as fault:
        raise HandValueWrong(name, f"'{typed}' is no date", "write it as YYYY-MM-DD") from fault
    if date > datetime.date.today():
        raise HandValueWrong(name, f"{typed} lies in the future", "enter the date on its label")
    return date.isoformat()
