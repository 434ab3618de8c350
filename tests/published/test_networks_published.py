"""Touch-current networks against published and recomputed tables.

IEC 60990: components and the printed table's rows are from memory, the other rows were computed from
ideal components outside the code. IEC 60601-1 figure 12: component values published there. The 1500
ohm and 0.15 µF indication: clause text of UL standards, as quoted.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.linalg
import scipy.signal

from procedures.networks import AVERAGING, NETWORKS, shown_peaks, weighting
from procedures.spectrum import spectrum
from procedures.waveform import readout
from tests.published.test_spectrum_published import CYCLES, RATE_HZ, WAVES

PLACES = {network.name: n for n, network in enumerate(NETWORKS)}
BY_NAME = {network.name: network for network in (*NETWORKS, AVERAGING)}


def ohms(name: str, frequency_hz: float) -> complex:
    """Volts at the meter per ampere."""
    network = BY_NAME[name]
    return complex(weighting(network, np.array([frequency_hz]))[0]) * network.ohm


# |U/I| in ohm by frequency, computed outside the code with exact formulae and ideal components
TABLE = {
    "perception": {
        20: 499.79, 50: 498.69, 60: 498.11, 100: 494.82, 200: 480.18, 500: 404.67, 1e3: 283.68,
        2e3: 162.85, 5e3: 68.253, 1e4: 34.368, 2e4: 17.214, 5e4: 6.8892, 1e5: 3.4448, 1e6: 0.34449,
    },
    "let_go": {
        20: 499.63, 50: 497.70, 60: 496.70, 100: 490.99, 200: 466.59, 500: 359.11, 1e3: 225.45,
        2e3: 113.82, 5e3: 32.952, 1e4: 9.8843, 2e4: 2.6176, 5e4: 0.42614, 1e5: 0.10680,
        1e6: 0.0010689,
    },
    "md": {
        10: 999.946, 50: 998.659, 60: 998.071, 100: 994.669, 1e3: 694.244, 1e4: 96.012,
        1e5: 9.6453, 1e6: 0.96460,
    },
    "average": {
        50: 1496.27, 60: 1494.63, 100: 1485.23, 1e3: 866.23, 1e4: 105.84, 1e5: 10.610, 1e6: 1.0610,
    },
    "unweighted": {50: 500.0, 1e3: 500.0, 1e6: 500.0},
}  # fmt: skip


@pytest.mark.parametrize("name", TABLE)
def test_volts_per_ampere(name: str) -> None:
    for frequency_hz, ohm in TABLE[name].items():
        assert abs(ohms(name, frequency_hz)) == pytest.approx(ohm, rel=1e-4), frequency_hz


# IEC 60990 annex, figure 4, from memory: input impedance in ohm and Uout/Uin as printed
PRINTED = [
    (20, 1998, 0.250), (50, 1990, 0.251), (60, 1986, 0.251), (100, 1961, 0.252), (200, 1857, 0.259),
    (500, 1433, 0.282), (1e3, 973, 0.292), (2e3, 661, 0.246), (5e3, 512, 0.133), (1e4, 485, 0.0708),
    (2e4, 479, 0.0360), (5e4, 477, 0.0145), (1e5, 476, 0.00723), (1e6, 476, 0.000723),
]  # fmt: skip


@pytest.mark.parametrize(("frequency_hz", "input_ohm", "share"), PRINTED)
def test_the_printed_rows_of_figure_4(frequency_hz: float, input_ohm: int, share: float) -> None:
    """Uout/Iin is the product of the two columns; half a digit of either may be lost."""
    digit = 0.5 * 10.0 ** (math.floor(math.log10(share)) - 2)
    lost = input_ohm * digit + share * 0.5
    assert abs(ohms("perception", frequency_hz)) == pytest.approx(input_ohm * share, abs=lost)


@pytest.mark.parametrize(
    ("frequency_hz", "weight"),
    [(50, 0.99738), (60, 0.99623), (1e3, 0.56736), (1e4, 0.068736), (1e5, 0.0068896)],
)
def test_the_weighting_factor_of_figure_4(frequency_hz: float, weight: float) -> None:
    """U2/(500·I), computed outside the code."""
    assert abs(ohms("perception", frequency_hz)) / 500.0 == pytest.approx(weight, rel=1e-4)


@pytest.mark.parametrize(
    ("frequency_hz", "decibel"), [(60, -0.0163), (1e3, -3.169), (1e4, -20.353), (1e5, -40.313)]
)
def test_the_measuring_device_by_decibel(frequency_hz: float, decibel: float) -> None:
    """20·log Z(f)/Z(10 Hz), as figure 12 is plotted; a plain R1·C1 would be wrong by 0.41 dB at 1 kHz."""
    ratio = abs(ohms("md", frequency_hz)) / abs(ohms("md", 10.0))
    assert 20.0 * math.log10(ratio) == pytest.approx(decibel, abs=6e-4)


def test_corners() -> None:
    """1500 ohm and 0.15 µF: 707.36 Hz. The loaded measuring device: 964.6 Hz, not 1061 Hz."""
    assert abs(ohms("average", 707.36)) == pytest.approx(1500.0 / math.sqrt(2.0), rel=1e-5)
    assert abs(ohms("md", 964.6)) == pytest.approx(1000.0 / math.sqrt(2.0), rel=1e-3)


def test_an_indication_of_half_a_milliampere_at_60_hz() -> None:
    """UL as quoted: 0.5 shown is 0.502 mA true at 60 Hz, 0.866 at 1 kHz, 7.09 at 10 kHz."""
    for frequency_hz, true in ((60, 0.502), (1e3, 0.866), (1e4, 7.09)):
        assert true * abs(ohms("average", frequency_hz)) / 1500.0 == pytest.approx(0.5, rel=1e-3)


@pytest.mark.parametrize("name", TABLE)
def test_direct_current_passes(name: str) -> None:
    assert ohms(name, 0.0) == pytest.approx(BY_NAME[name].ohm)


# 1.1107·mean|v| over r.m.s., peak 1 (textbook closed forms)
RECTIFIED = {
    "sine": 0.707107, "half-wave": 0.353553, "full-wave": 0.707107, "square": 1.110721,
    "triangle": 0.555360, "fired at 30": 0.659739, "fired at 60": 0.530330, "fired at 90": 0.353553,
    "fired at 120": 0.176777, "fired at 150": 0.047367,
}  # fmt: skip


@pytest.mark.parametrize("name", RECTIFIED)
def test_the_rectified_mean_where_the_network_does_nothing(name: str) -> None:
    """At a supply of 60 µHz the network is only a resistor: what is left is the meter's own law."""
    found = readout(WAVES[name][0], CYCLES, RATE_HZ / 1e6)
    shown = float(found.average) * 1.110721 / 1.11
    assert shown == pytest.approx(RECTIFIED[name], rel=1e-3)


@pytest.mark.parametrize("name", ["half-wave", "square", "fired at 90"])
def test_shown_as_scipy_shows_it(name: str) -> None:
    """The same networks as scipy's filters in time, same data, once they have settled.

    Bilinear filters at sixteen times the rate, since they bend near half the rate.
    """
    wave = WAVES[name][0]
    fine = np.repeat(wave, 16)
    found = readout(fine, CYCLES, 16 * RATE_HZ)
    corners_s = {"perception": 0.022e-6 * 10_500.0, "md": 0.015e-6 * 11_000.0}
    for network, tau_s in corners_s.items():
        seen = _filtered(fine, tau_s, 16 * RATE_HZ)
        shown = float(found.shown[PLACES[network]])
        assert shown == pytest.approx(float(np.sqrt(np.mean(seen**2))), rel=1e-3)
    seen = _filtered(fine, 1500.0 * 0.15e-6, 16 * RATE_HZ)
    assert float(found.average) == pytest.approx(1.11 * float(np.mean(np.abs(seen))), rel=1e-3)


def _filtered(wave: np.ndarray, tau_s: float, rate_hz: float) -> np.ndarray:
    """A single pole of ``tau_s`` by scipy; the last of three repetitions has settled."""
    top, bottom = scipy.signal.bilinear([1.0], [tau_s, 1.0], rate_hz)
    settled: np.ndarray = scipy.signal.lfilter(top, bottom, np.tile(wave, 3))[-len(wave) :]
    return settled


def test_the_let_go_network_as_scipy_solves_it() -> None:
    """Its three nodes as admittances, solved for 1 A into the first; U3 is over C3."""
    for frequency_hz in (20.0, 60.0, 500.0, 1e3, 5e3, 2e4, 1e5):
        jw = 2j * math.pi * frequency_hz
        rb, r2, r3 = 1 / 500.0, 1 / 10_000.0, 1 / 20_000.0
        nodes = np.array(
            [
                [rb + r2, -r2, 0.0],
                [-r2, r2 + r3 + jw * 0.0062e-6, -r3],
                [0.0, -r3, r3 + jw * 0.0091e-6],
            ]
        )
        volts = scipy.linalg.solve(nodes, np.array([1.0, 0.0, 0.0]))
        assert ohms("let_go", frequency_hz) == pytest.approx(complex(volts[2]), rel=1e-9)


def test_a_pure_sine_is_shown_by_the_table() -> None:
    """1 mA at 60 Hz: r.m.s. and peak by network."""
    wave = math.sqrt(2.0) * WAVES["sine"][0]
    found = readout(wave, CYCLES, RATE_HZ)
    weights = [TABLE[network.name].get(60, 500.0) / network.ohm for network in NETWORKS]
    assert found.shown == pytest.approx(weights, rel=1e-4)
    peaks = shown_peaks(spectrum(wave, CYCLES, RATE_HZ)) / math.sqrt(2.0)
    assert peaks == pytest.approx([1.0, 498.11 / 500, 496.70 / 500, 998.071 / 1000], rel=1e-4)
    assert float(found.average) == pytest.approx(1494.63 / 1500 * 1.11 / 1.110721, rel=1e-4)
