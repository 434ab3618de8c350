"""Waveforms and groups against closed forms and a standard's rules, and against scipy on the same data.

Closed forms: textbook Fourier series. IEC 61000-4-7: rules from memory; the window and the half edges
as quoted in secondary texts. Within 0.1 %, which is what the bench promises.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.fft
import scipy.signal

from procedures.arrays import FloatArray
from procedures.spectrum import (
    against,
    along,
    distortion,
    groups,
    less,
    phasor,
    spectrum,
    subgroups,
)
from procedures.waveform import readout

CYCLES, POINTS, RATE_HZ = 12, 13_824, 69_120.0  # 12 cycles of 60 Hz, 96 samples in 30 degrees
CLOSE = 1e-3
ANGLE = (
    math.tau * CYCLES * (np.arange(POINTS) + 0.5) / POINTS
)  # half a sample: no sample on an edge
SINE = np.sin(ANGLE)
TURN = np.mod(ANGLE, math.tau)


def fired(degrees: float) -> FloatArray:
    """A sine that conducts from ``degrees`` to the end of each half-cycle; peak 1."""
    late = np.mod(ANGLE, math.pi) >= math.radians(degrees)
    return np.where(late, SINE, 0.0)


WAVES = {  # name: (wave of peak 1, mean, r.m.s.), closed forms as in any textbook
    "sine": (SINE, 0.0, 0.707107),
    "half-wave": (np.maximum(SINE, 0.0), 0.318310, 0.5),
    "full-wave": (np.abs(SINE), 0.636620, 0.707107),
    "square": (np.sign(SINE), 0.0, 1.0),
    "triangle": (2.0 / math.pi * np.arcsin(SINE), 0.0, 0.577350),
    "fired at 30": (fired(30.0), 0.0, 0.696838),
    "fired at 60": (fired(60.0), 0.0, 0.634231),
    "fired at 90": (fired(90.0), 0.0, 0.5),
    "fired at 120": (fired(120.0), 0.0, 0.312651),
    "fired at 150": (fired(150.0), 0.0, 0.120072),
}


@pytest.mark.parametrize("name", WAVES)
def test_mean_and_rms(name: str) -> None:
    wave, mean, rms = WAVES[name]
    found = spectrum(wave, CYCLES, RATE_HZ)
    assert float(found.dc) == pytest.approx(mean, rel=CLOSE, abs=1e-9)
    assert float(found.rms) == pytest.approx(rms, rel=CLOSE)
    assert float(found.rms) == pytest.approx(float(np.sqrt(np.mean(wave**2))), rel=1e-12)


def test_a_half_wave_has_its_series() -> None:
    """DC 1/π, fundamental peak 0.5, even order n peak 2/(π(n²-1)), no other odd ones."""
    wave = WAVES["half-wave"][0]
    peaks = groups(spectrum(wave, CYCLES, RATE_HZ)) * math.sqrt(2.0)
    expected = {1: 0.5, 2: 0.212207, 4: 0.042441, 6: 0.018189}
    for order, peak in expected.items():
        assert peaks[order - 1] == pytest.approx(peak, rel=CLOSE)
    assert peaks[2::2] == pytest.approx(0.0, abs=1e-6)


def test_a_square_wave_has_its_series_and_distortion() -> None:
    """h1 peak 4/π; to order 50 the distortion is 0.472971, hence 0.470... to 40: summed here."""
    found = spectrum(WAVES["square"][0], CYCLES, RATE_HZ)
    orders = groups(found)
    assert orders[0] * math.sqrt(2.0) == pytest.approx(1.273240, rel=CLOSE)
    to_40 = math.sqrt(sum(1.0 / n**2 for n in range(3, 41, 2)))
    assert float(distortion(orders)) == pytest.approx(to_40, rel=CLOSE)
    everything = math.sqrt(float(found.rms) ** 2 / orders[0] ** 2 - 1.0)
    assert everything == pytest.approx(0.483426, rel=CLOSE)  # √(π²/8 - 1)


def test_a_triangle_has_its_distortion() -> None:
    """√(π⁴/96 - 1) = 0.121153; beyond order 40 nothing is left of it."""
    orders = groups(spectrum(WAVES["triangle"][0], CYCLES, RATE_HZ))
    assert float(distortion(orders)) == pytest.approx(0.121153, rel=CLOSE)


def test_dc_adds_by_squares() -> None:
    """√(0.5² + 0.3²) = 0.583095."""
    wave = 0.5 * math.sqrt(2.0) * SINE + 0.3
    assert float(spectrum(wave, CYCLES, RATE_HZ).rms) == pytest.approx(0.583095, rel=1e-5)


def lines_at(amplitudes: dict[int, float], points: int, cycles: int) -> FloatArray:
    """A wave whose lines have these r.m.s. values, each at a phase of its own."""
    turn = math.tau * np.arange(points) / points
    wave: FloatArray = np.zeros(points)
    for line, rms in amplitudes.items():
        wave += rms * math.sqrt(2.0) * np.sin(line * turn + 0.7 * line)
    return wave


# Worked outside the code: 50 Hz, third harmonic, lines of 125 to 175 Hz in steps of 5 Hz
EXAMPLE = (0.1, 0.05, 0.02, 0.03, 0.04, 1.0, 0.04, 0.03, 0.02, 0.05, 0.1)


def test_the_group_and_subgroup_of_an_example() -> None:
    """Group 1.0103465, subgroup 1.0015987 (computed by hand from the rules)."""
    wave = lines_at(dict(enumerate(EXAMPLE, 25)), 4000, 10)
    found = spectrum(wave, 10, 20_000.0)
    assert groups(found)[2] == pytest.approx(1.0103465, rel=1e-6)
    assert subgroups(found)[2] == pytest.approx(1.0015987, rel=1e-6)
    # the outermost lines belong half to each neighbour
    assert groups(found)[1] == pytest.approx(0.1 * math.sqrt(0.5), rel=1e-6)
    assert groups(found)[3] == pytest.approx(0.1 * math.sqrt(0.5), rel=1e-6)


def test_what_lies_between_harmonics_is_not_counted_to_the_fundamental() -> None:
    wave = lines_at({9: 0.2, 11: 0.3, 12: 1.0, 13: 0.3}, 3072, 12)
    found = readout(wave, 12, 15_360.0)
    assert found.orders[0] == pytest.approx(1.0, rel=1e-9)
    assert float(found.between) == pytest.approx(math.sqrt(0.2**2 + 2 * 0.3**2), rel=1e-9)


@pytest.mark.parametrize("cycles", [10, 11, 12])
def test_the_groups_of_noise_hold_all_its_power_up_to_their_end(cycles: int) -> None:
    """Against scipy on the same data: groups from order 2 tile the lines, each counted once."""
    rng = np.random.default_rng(7)
    wave = rng.normal(size=(5, 200 * cycles))
    found = spectrum(wave, cycles, 12_000.0)
    squares = 2.0 * np.abs(scipy.fft.rfft(wave)) ** 2 / wave.shape[-1] ** 2
    low, high = 2 * cycles - cycles // 2, found.highest * cycles + (cycles + 1) // 2
    tiled = squares[:, low:high].sum(axis=-1)
    if cycles % 2 == 0:
        tiled += 0.5 * (squares[:, high] - squares[:, low])
    assert np.square(groups(found)[:, 1:]).sum(axis=-1) == pytest.approx(tiled, rel=1e-9)


def test_rms_as_scipy_sees_it() -> None:
    """Integrated periodogram of scipy.signal, same noise."""
    wave = np.random.default_rng(3).normal(size=1536)
    hz, density = scipy.signal.periodogram(wave, 7680.0, detrend=False)
    whole = math.sqrt(float(np.sum(density)) * float(hz[1]))
    assert float(spectrum(wave, 12, 7680.0).rms) == pytest.approx(whole, rel=1e-9)


@pytest.mark.parametrize("start", [0.0, 0.4, 2.0, 5.5])
def test_a_vector_against_the_supply_whenever_the_capture_began(start: float) -> None:
    """0.6 mA in phase and 0.8 mA leading by 90 degrees, made from sine and cosine."""
    supply = 120.0 * math.sqrt(2.0) * np.sin(ANGLE + start)
    current = math.sqrt(2.0) * (0.6 * np.sin(ANGLE + start) + 0.8 * np.cos(ANGLE + start))
    volts = spectrum(supply, CYCLES, RATE_HZ)
    found = spectrum(current, CYCLES, RATE_HZ)
    res, cap = against(found.fundamental, volts.fundamental)
    assert (float(res), float(cap)) == pytest.approx((0.6, 0.8), rel=1e-9)
    alone = phasor(np.stack([current, supply]), CYCLES)
    assert alone == pytest.approx([complex(found.fundamental), complex(volts.fundamental)])
    bare = less(found, along(0.1, 0.3, volts.fundamental))
    res, cap = against(bare.fundamental, volts.fundamental)
    assert (float(res), float(cap)) == pytest.approx((0.5, 0.5), rel=1e-9)
    assert float(bare.rms) == pytest.approx(math.sqrt(0.5), rel=1e-9)
    assert float(found.rms) == pytest.approx(1.0, rel=1e-9)  # the first one is as it was
