"""From a part's last record to its load on a protective device: the vector that decided.

Translates records (µA) to ``procedures.together``; reads the store, writes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from procedures.together import Leg, Load
from results.errors import NotFound
from results.record import Record, part_number, place_of
from results.store import Store

BETWEEN_LEGS_V = 200.0  # rated for more than one leg to neutral
MEASURED = frozenset({"pass", "fail", "none"})


@dataclass(frozen=True, slots=True)
class Measured:
    """A part's load, the record that it comes from, DC in mA where it was read, and what to doubt."""

    load: Load
    part: str
    closing: str
    condition: str
    dc_ma: float | None
    doubts: tuple[str, ...]
    simulated: bool


def measured(store: Store, part: str, leg: Leg | None) -> Measured:
    """The worst condition of the part's newest attempt that measured a leakage.

    ``leg`` None: not known, so the worse counts. Raises NotFound when the part is not registered or
    nothing was ever measured on it.
    """
    number = part_number(place_of(part))
    plate = store.part(number).body
    closing, condition = _newest(store, number)
    vector = (condition["resistive_ua"] / 1000, condition["capacitive_ua"] / 1000)
    load = Load(
        number,
        *_at_least(vector, condition),
        u_ma=(condition["u_ua"] or 0) / 1000,
        leg=leg or "both",
        always=plate["family"] == "converter",
    )
    dc_ua = condition["dc_ua"]
    return Measured(
        load,
        number,
        closing.number,
        str(condition["name"]),
        None if dc_ua is None else dc_ua / 1000,
        tuple(_doubts(condition, leg, plate)),
        bool(closing.simulated),
    )


def _newest(store: Store, part: str) -> tuple[Record, Mapping[str, Any]]:
    for attempt in store.history(None, part=part):
        closing = store.get(attempt.closing) if attempt.closing else None
        worst = _worst(closing.body["conditions"]) if closing else None
        if closing is not None and worst is not None and closing.body["verdict"] in MEASURED:
            return closing, worst
    raise NotFound(f"part {part}", "no leakage was ever measured on it", "run it first")


def _worst(conditions: Iterable[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """The counted condition with the greatest leakage: the one that decided."""
    counted = [one for one in conditions if one["counts"] and one["y_ua"] is not None]
    return max(counted, key=lambda one: int(one["y_ua"]), default=None)


def _at_least(vector: tuple[float, float], condition: Mapping[str, Any]) -> tuple[float, float]:
    """The vector, made as long as the leakage that decided; resistive where no direction is known.

    What exceeds the fundamental (harmonics, a cut-off's lower bound) has no direction of its own.
    """
    y_ma = condition["y_ua"] / 1000
    length = (vector[0] ** 2 + vector[1] ** 2) ** 0.5
    if length <= 0.0:
        return y_ma, 0.0
    scale = max(1.0, y_ma / length)
    return vector[0] * scale, vector[1] * scale


def _doubts(
    condition: Mapping[str, Any], leg: Leg | None, plate: Mapping[str, Any]
) -> Iterable[str]:
    if condition["basis"] == "above":
        yield f"only known to leak more than {condition['y_ua'] / 1000:.2f} mA (cut off)"
    if condition["basis"] == "prospective":
        yield "calculated from the limited step, not measured at full voltage"
    between = plate.get("rated_mv", 0) / 1000 > BETWEEN_LEGS_V
    if leg is None and not between:
        yield "its leg is not known: the worse counts"
    if between and leg in ("1", "2"):
        yield "rated for both legs, but taken as if it leaked from one"
