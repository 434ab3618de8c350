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
BUS_FLOOR_V = 5.0  # commissioning without mains: pick-up and zero errors


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


class Contradiction(NamedTuple):
    """``lies`` is true while the readings contradict one another."""

    words: str
    hold_s: float
    lies: Callable[[Look], bool]


def _sensors_disagree(look: Look) -> bool:
    first, second = look.values.get(LEAKAGE_MA), look.values.get(SECOND_LEAKAGE_MA)
    if first is None or second is None:
        return False
    bound = look.bound(LEAKAGE_MA, SECOND_LEAKAGE_MA) + 0.02 * max(first, second)
    return abs(first - second) > bound


def _vector_too_long(total: str, resistive: str, capacitive: str) -> Callable[[Look], bool]:
    """A vector's length can't exceed its r.m.s. value, which contains DC and harmonics besides."""

    def lies(look: Look) -> bool:
        of = look.values.get
        rms_ma, real_ma, imaginary_ma = of(total), of(resistive), of(capacitive)
        if rms_ma is None or real_ma is None or imaginary_ma is None:
            return False
        over_ma = math.hypot(real_ma, imaginary_ma) - rms_ma
        return over_ma > 0.0 and over_ma > look.bound(total, resistive, capacitive)

    return lies


def _bus_is_not_the_supply(look: Look) -> bool:
    bus_v, expected_v = look.values.get(BAY_V), look.values.get(SUPPLY_V)
    if look.feed is None or bus_v is None or expected_v is None:
        return False
    if look.feed == "line_line":
        expected_v += look.values.get(SUPPLY_2_V, expected_v)
    return abs(bus_v - expected_v) > max(BUS_SHARE * expected_v, BUS_FLOOR_V)


def _more_watts_than_volt_amperes(look: Look) -> bool:
    of = look.values.get
    bus_v, load_a, power_w = of(BAY_V), of(LOAD_A), of(POWER_W)
    if look.feed is None or bus_v is None or load_a is None or power_w is None:
        return False
    over_w = power_w - 1.05 * bus_v * load_a
    return over_w > 0.0 and over_w > look.bound(POWER_W) + bus_v * look.bound(LOAD_A)


def _water_does_not_follow(look: Look) -> bool:
    now_c, power_w = look.values.get(TEMPERATURE_C), look.values.get(POWER_W)
    if not look.heats or look.live_s < HEAT_S or now_c is None or power_w is None:
        return False
    moved_k = abs(now_c - look.started.get(TEMPERATURE_C, math.inf))
    return power_w > HEAT_W and moved_k < HEAT_K


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
        found = ""
        for n, rule in enumerate(RULES):
            if not rule.lies(look):
                self.since_s[n] = None
            elif self._lasted_s(n, now_s) >= rule.hold_s:
                found = found or rule.words
        return found

    def apart(self, values: Mapping[str, float]) -> bool:
        """Whether the leakage sensors disagree in these very readings, without patience."""
        return _sensors_disagree(Look(values, self.accuracy, None, 0.0, {}, False))

    def _lasted_s(self, n: int, now_s: float) -> float:
        from_s = self.since_s[n]
        if from_s is None:
            self.since_s[n] = from_s = now_s
        return now_s - from_s
