"""Captures on their way from a meter to a scan."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from drivers.roles import Capture, Quality, Wave, WaveMeter
from rig.captures import FRESH_S, Captures


@dataclass
class Meter:
    capture: Capture | None = None
    asked: int = 0

    def want_capture(self) -> None:
        self.asked += 1


def capture(taken_s: float, quality: Quality = Quality.GOOD) -> Capture:
    waves = {
        "leakage_ma": Wave(np.array([1e-3, -2e-3]), "A", quality),
        "supply_v": Wave(np.array([100.0, -100.0]), "V", Quality.GOOD),
    }
    return Capture(waves, 7680.0, taken_s)


def test_a_meter_is_asked_once_however_long_the_demand_wants_it() -> None:
    meter = Meter()
    captures = Captures((meter,))
    for wanted in (False, True, True, True, False, False, True):
        captures.ask(wanted)
    assert meter.asked == 2


def test_samples_come_in_the_quantitys_unit_and_grow_old() -> None:
    captures = Captures((Meter(capture(10.0)),))
    got = captures.newest(10.0 + FRESH_S)
    assert got is not None
    assert got.samples["leakage_ma"] == pytest.approx([1.0, -2.0])
    assert (got.rate_hz, got.taken_s, got.over) == (7680.0, 10.0, frozenset())
    assert captures.newest(10.0 + FRESH_S + 1e-6) is None
    assert Captures((Meter(),)).newest(0.0) is None
    assert Captures().newest(math.inf) is None


def test_the_newest_counts_and_is_made_once() -> None:
    one, two = Meter(capture(10.0)), Meter(capture(11.0))
    captures = Captures((one, two))
    got = captures.newest(11.0)
    assert got is not None
    assert got.taken_s == 11.0
    assert captures.newest(11.1) is got
    one.capture = capture(11.05)
    newer = captures.newest(11.1)
    assert newer is not None
    assert newer.taken_s == 11.05


@pytest.mark.parametrize(
    ("quality", "over"),
    [(Quality.OVER_RANGE, {"leakage_ma"}), (Quality.INVALID, set[str]())],
)
def test_what_is_not_good_has_no_samples(quality: Quality, over: set[str]) -> None:
    got = Captures((Meter(capture(1.0, quality)),)).newest(1.0)
    assert got is not None
    assert set(got.samples) == {"supply_v"}
    assert got.over == over


def test_the_meter_in_this_test_is_one() -> None:
    assert isinstance(Meter(), WaveMeter)
