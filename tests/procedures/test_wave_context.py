"""From a capture to what a record holds: window, vector, fixture, nominal volts, arcs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from procedures.arrays import FloatArray
from procedures.scan import Waveforms
from procedures.wave_context import Circumstances, WaveContext, context, frequency_of

RATE_HZ, POINTS = 7680.0, 1720
PLAIN = Circumstances(60.0, None, (0.0, 0.0), 1.0, 0.01)


def times() -> FloatArray:
    return np.arange(POINTS) / RATE_HZ


def sine(rms: float, hz: float, phase: float = 0.0) -> FloatArray:
    wave: FloatArray = math.sqrt(2.0) * rms * np.sin(math.tau * hz * times() + 1.1 + phase)
    return wave


def captured(leakage: FloatArray, hz: float = 60.0, volts: float = 120.0) -> Waveforms:
    return Waveforms({"leakage_ma": leakage, "supply_v": sine(volts, hz)}, RATE_HZ, 1.0)


def read(waves: Waveforms, of: Circumstances = PLAIN) -> WaveContext:
    found = context(waves, of)
    assert found is not None
    return found


@pytest.mark.parametrize("hz", [57.5, 59.4, 59.98, 60.0, 60.3, 62.5])
def test_the_window_follows_the_supply(hz: float) -> None:
    """0.6 mA in phase and 0.8 leading stay what they are within 0.1 % however fast the supply runs."""
    assert frequency_of(sine(120.0, hz), RATE_HZ, 60.0) == pytest.approx(hz, abs=2e-3)
    leakage = sine(0.6, hz) + sine(0.8, hz, math.pi / 2)
    found = read(captured(leakage, hz))
    assert (found.resistive_ma, found.capacitive_ma) == pytest.approx((0.6, 0.8), rel=1e-3)
    assert found.frequency_hz == pytest.approx(hz, abs=2e-3)
    assert found.rms_ma == pytest.approx(1.0, rel=1e-3)
    assert found.harmonics_ma < 5e-3
    assert found.cycles == 12


def test_at_50_hz_there_are_ten_cycles() -> None:
    waves = captured(sine(1.0, 50.0), 50.0)
    found = read(waves, replace(PLAIN, nominal_hz=50.0))
    assert found.cycles == 10
    assert found.resistive_ma == pytest.approx(1.0, rel=1e-3)


def test_the_fixture_comes_off_as_a_vector() -> None:
    """0.2 mA capacitive fixture beside 0.75 mA resistive: the magnitude hides all but 0.026 of it."""
    leakage = sine(0.75, 60.0) + sine(0.2, 60.0, math.pi / 2)
    found = read(captured(leakage), replace(PLAIN, fixture_ma=(0.0, 0.2)))
    assert (found.resistive_ma, found.capacitive_ma) == pytest.approx((0.75, 0.0), abs=1e-3)
    assert found.rms_ma == pytest.approx(0.75, rel=1e-3)
    assert found.shown_ma["unweighted"] == pytest.approx(0.75, rel=1e-3)
    assert found.fundamental_ma == pytest.approx(0.75, rel=1e-3)


def test_everything_that_follows_the_volts_is_brought_to_nominal() -> None:
    """A half-wave at 108 V: DC 1/π and its harmonics of the peak grow by 120/108 alike."""
    wave = np.maximum(sine(1.0, 60.0), 0.0) / math.sqrt(2.0)
    found = read(captured(wave, volts=108.0), replace(PLAIN, to_nominal=120.0 / 108.0))
    assert found.scaled
    assert found.dc_ma == pytest.approx(120.0 / 108.0 / math.pi, rel=1e-3)
    assert found.groups_ma[1] == pytest.approx(120 / 108 * 0.212207 / math.sqrt(2), rel=1e-3)
    assert found.rms_ma == pytest.approx(120.0 / 108.0 * 0.5, rel=1e-3)
    assert found.average_ma < 0.72 * found.rms_ma  # the averaging meter's own fault
    assert found.shown_ma["let_go"] < found.shown_ma["perception"] < found.rms_ma
    assert found.peaks_ma["unweighted"] == pytest.approx(120.0 / 108.0, rel=1e-2)


def bursts(rng: np.random.Generator) -> FloatArray:
    wave = np.zeros(POINTS)
    for at in np.flatnonzero(rng.random(26) < 0.5) * 64 + rng.integers(20, 30):
        wave[at : at + 6] += rng.uniform(1.5, 3.0) * np.exp(
            -np.arange(len(wave[at : at + 6])) / 2.3
        )
    return wave


def test_arcs_are_told_and_nothing_is_scaled_then() -> None:
    leakage = sine(0.5, 60.0) + bursts(np.random.default_rng(4))
    found = read(captured(leakage, volts=108.0), replace(PLAIN, to_nominal=120.0 / 108.0))
    assert found.arcs
    assert not found.scaled
    assert found.resistive_ma == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize("seed", range(5))
def test_noise_and_steady_harmonics_are_no_arcs(seed: int) -> None:
    noise = np.random.default_rng(seed).normal(scale=0.1, size=POINTS)
    leakage = sine(0.5, 60.0) + sine(0.3, 180.0) + noise
    found = read(captured(leakage))
    assert not found.arcs
    assert found.scaled
    assert found.between_ma == pytest.approx(0.1, rel=0.1)


def test_small_bursts_are_the_meters_own() -> None:
    leakage = sine(0.5, 60.0) + 0.02 * bursts(np.random.default_rng(4))
    assert not read(captured(leakage)).arcs


def test_without_the_supply_s_waveform_there_is_no_phase() -> None:
    waves = Waveforms({"leakage_ma": sine(1.0, 60.1)}, RATE_HZ, 1.0)
    found = read(waves, replace(PLAIN, measured_hz=60.1, fixture_ma=(0.0, 0.5)))
    assert (found.resistive_ma, found.capacitive_ma) == (None, None)
    assert found.rms_ma == pytest.approx(1.0, rel=1e-3)  # a fixture without a phase stays on


@pytest.mark.parametrize("seed", range(20))
def test_a_supply_s_waveform_that_shows_no_supply_gives_no_phase(seed: int) -> None:
    rng = np.random.default_rng(seed)
    junk = [np.zeros(POINTS), 0.1 * rng.normal(size=POINTS), sine(120.0, 400.0), sine(0.5, 60.0)]
    for supply in junk:
        waves = Waveforms({"leakage_ma": sine(1.0, 60.0), "supply_v": supply}, RATE_HZ, 1.0)
        found = read(waves)
        assert (found.resistive_ma, found.capacitive_ma) == (None, None)
        assert found.rms_ma == pytest.approx(1.0, rel=1e-2)


def test_what_is_missing_is_none() -> None:
    volts_alone = Waveforms({"supply_v": sine(120.0, 60.0)}, RATE_HZ, 1.0)
    assert context(volts_alone, PLAIN) is None
    short = Waveforms({"leakage_ma": sine(1.0, 60.0)[:1000]}, RATE_HZ, 1.0)
    assert context(short, PLAIN) is None
    nothing = read(captured(np.zeros(POINTS)))
    assert (nothing.rms_ma, nothing.distortion, nothing.arcs) == (0.0, None, False)
