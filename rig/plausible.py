"""Readings that contradict one another: one of them lies, so nothing may stay on.

Pure: values in, words out; the bench's accuracies decide what is a contradiction. Each row of ``RULES``
must contradict for ``hold_s`` without a break, because meters update at different moments. A missing
value contradicts nothing here: freshness is the guard's own rule.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from procedures.scan import (
    BAY_V,
    LEAKAGE_CAPACITIVE_MA,
    LEAKAGE_MA,
    LEAKAGE_RESISTIVE_MA,
    LOAD_A,
    POWER_W,
    SECOND_LEAKAGE_CAPACITIVE_MA,
    SECOND_LEAKAGE_MA,
    SECOND_LEAKAGE_RESISTIVE_MA,
    SUPPLY_2_V,
    SUPPLY_V,
    TEMPERATURE_C,
    Accuracy,
    Feed,
)

HEAT_W, HEAT_S, HEAT_K = 500.0, 90.0, 0.3  # so much for so long must warm the water by so much
BUS_SHARE = 0.15  # of the supply: drop in leads and relays, and the meters' errors


class Look(NamedTuple):
    """What a rule may look at. ``feed`` and ``live_s`` only while it is live,
    ``started`` the readings when it came on."""

    values: Mapping[str, float]
    accuracy: Mapping[str, Accuracy]
    feed: Feed | None
    live_s: float
    started: Mapping[str, float]
    heats: bool

    def bound(self, *names: str) -> float:
        """Sum of the accuracy half-widths at the present values, in the quantities' unit."""
        total = 0.0
        for name in names:  # each scan asks this a dozen times: no generator
            total += self.accuracy[name].half_width(self.values[name])
        return total

    def has(self, *names: str) -> bool:
        """Whether all of them are read now."""
        return self.values.keys() >= {*names}


class Contradiction(NamedTuple):
    """``lies`` is true while the readings contradict one another."""

    words: str
    hold_s: float
    lies: Callable[[Look], bool]


def _sensors_disagree(look: Look) -> bool:
    if not look.has(LEAKAGE_MA, SECOND_LEAKAGE_MA):
        return False
    first, second = look.values[LEAKAGE_MA], look.values[SECOND_LEAKAGE_MA]
    bound = look.bound(LEAKAGE_MA, SECOND_LEAKAGE_MA) + 0.02 * max(first, second)
    return abs(first - second) > bound


def _vector_too_long(total: str, *parts: str) -> Callable[[Look], bool]:
    """A vector's length can't exceed its r.m.s. value, which contains DC and harmonics besides."""

    def lies(look: Look) -> bool:
        if not look.has(total, *parts):
            return False
        over = math.hypot(*[look.values[n] for n in parts]) - look.values[total]
        return over > 0.0 and over > look.bound(total, *parts)

    return lies


def _bus_is_not_the_supply(look: Look) -> bool:
    if look.feed is None or not look.has(BAY_V, SUPPLY_V):
        return False
    expected_v = look.values[SUPPLY_V]
    if look.feed == "line_line":
        expected_v += look.values.get(SUPPLY_2_V, expected_v)
    return abs(look.values[BAY_V] - expected_v) > BUS_SHARE * expected_v


def _more_watts_than_volt_amperes(look: Look) -> bool:
    if look.feed is None or not look.has(BAY_V, LOAD_A, POWER_W):
        return False
    volt_amperes = look.values[BAY_V] * look.values[LOAD_A]
    slack = look.bound(POWER_W) + look.values[BAY_V] * look.bound(LOAD_A)
    return look.values[POWER_W] > 1.05 * volt_amperes + slack


def _water_does_not_follow(look: Look) -> bool:
    if not look.heats or look.live_s < HEAT_S or not look.has(TEMPERATURE_C, POWER_W):
        return False
    moved_k = abs(look.values[TEMPERATURE_C] - look.started.get(TEMPERATURE_C, math.inf))
    return look.values[POWER_W] > HEAT_W and moved_k < HEAT_K


RULES: tuple[Contradiction, ...] = (
    Contradiction("the leakage readings disagree", 1.0, _sensors_disagree),
    Contradiction(
        "leakage in r.m.s. is less than its own vector",
        1.0,
        _vector_too_long(LEAKAGE_MA, LEAKAGE_RESISTIVE_MA, LEAKAGE_CAPACITIVE_MA),
    ),
    Contradiction(
        "second leakage in r.m.s. is less than its own vector",
        1.0,
        _vector_too_long(
            SECOND_LEAKAGE_MA, SECOND_LEAKAGE_RESISTIVE_MA, SECOND_LEAKAGE_CAPACITIVE_MA
        ),
    ),
    Contradiction("bay voltage is not that of the supply", 1.0, _bus_is_not_the_supply),
    Contradiction("power is more than volts times amperes", 2.0, _more_watts_than_volt_amperes),
    Contradiction("water temperature does not follow the heat", 2.0, _water_does_not_follow),
)


@dataclass(slots=True)
class Plausible:
    """Watches the readings from scan to scan. ``heats``: the family heats water."""

    accuracy: Mapping[str, Accuracy]
    heats: bool
    since_s: list[float | None] = field(default_factory=lambda: [None] * len(RULES))
    feed: Feed | None = None
    live_from_s: float = 0.0
    started: Mapping[str, float] = field(default_factory=dict)

    def check(self, values: Mapping[str, float], feed: Feed | None, now_s: float) -> str:
        """Words for the first contradiction that has lasted, else empty."""
        if feed != self.feed:
            self.feed, self.live_from_s, self.started = feed, now_s, dict(values)
        look = Look(values, self.accuracy, feed, now_s - self.live_from_s, self.started, self.heats)
        found = [rule.words for n, rule in enumerate(RULES) if self._lasts(n, rule, look, now_s)]
        return found[0] if found else ""

    def _lasts(self, n: int, rule: Contradiction, look: Look, now_s: float) -> bool:
        if not rule.lies(look):
            self.since_s[n] = None
            return False
        from_s = self.since_s[n]
        if from_s is None:
            self.since_s[n] = from_s = now_s
        return now_s - from_s >= rule.hold_s
