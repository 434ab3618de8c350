"""A part as procedures know it to a record's body, and back. Integers only: mV, mW, mA, µA, mohm.

One of the two translators between rooms (the other is ``wiring.py``); outcomes are in
``outcome_record.py``. A field that was not given is left out of the body, never 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, NamedTuple

from procedures.scan import Part
from results.record import SHOP as SHOP  # the chain of intakes and approvals
from rig.errors import RigError


class _Amount(NamedTuple):
    """A number of ``Part``, its key in a body, and how many of the body's units make one."""

    field: str
    key: str
    per_one: int


AMOUNTS = (
    _Amount("rated_v", "rated_mv", 1000),
    _Amount("rated_w", "rated_mw", 1000),
    _Amount("rated_a", "rated_ma", 1000),
    _Amount("low_a", "low_ma", 1000),
    _Amount("rated_trip_ma", "rated_trip_ua", 1000),
    _Amount("lead_ohm", "lead_mohm", 1000),
    _Amount("lead_m", "lead_mm", 1000),
    _Amount("lead_mm2", "lead_mm2_thousandths", 1000),
)
_AMOUNT_FIELDS = frozenset(amount.field for amount in AMOUNTS)
_PLAIN = tuple(
    one.name for one in fields(Part) if one.name not in _AMOUNT_FIELDS and one.name != "number"
)


def whole(value: float, per_one: int, what: str) -> int:
    """``value`` in the record's smaller unit, rounded to the nearest; RigError if not finite."""
    if not math.isfinite(value):
        raise RigError(what, f"{value} is not a finite number")
    return round(value * per_one)


def part_to_body(part: Part) -> dict[str, Any]:
    """The body of an intake record. The part's number stands beside it, not in it."""
    body: dict[str, Any] = {name: getattr(part, name) for name in _PLAIN}
    for field, key, per_one in AMOUNTS:
        value = getattr(part, field)
        if value is not None:
            body[key] = whole(value, per_one, field)
    return body


def part_from_body(number: str, body: Mapping[str, Any]) -> Part:
    """The part that an intake record describes; keys that ``Part`` lacks are ignored."""
    given = {name: body[name] for name in _PLAIN if name in body}
    for field, key, per_one in AMOUNTS:
        if key in body:
            given[field] = body[key] / per_one
    return Part(number=number, **given)
