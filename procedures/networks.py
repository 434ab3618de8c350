"""What a touch-current network would show of a waveform. Context on a record; it never decides.

The bench measures the current in the protective conductor with the part earthed. Through a network
the same current, driven by a source of high impedance, would give the voltages below; a network sees
less of high frequencies, as a person does. IEC 60990's component values are from memory, IEC 60601-1
figure 12's are published there, the 1500 ohm and 0.15 µF indication is as quoted from UL standards.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from procedures.arrays import FloatArray
from procedures.spectrum import ComplexArray, Spectrum, line_scales

RB_OHM = 500.0  # IEC 60990 figures 3 to 5, from memory
R1_OHM, C1_F = 10_000.0, 0.022e-6
R2_OHM, C2_F = 10_000.0, 0.0062e-6
R3_OHM, C3_F = 20_000.0, 0.0091e-6
MD_R1_OHM, MD_R2_OHM, MD_C1_F = 10_000.0, 1_000.0, 0.015e-6  # IEC 60601-1 figure 12
RC_OHM, RC_F = 1500.0, 0.15e-6  # UL 101 family, as quoted
AVERAGE = 1.11  # the indication there: 1.11 times the rectified mean, whatever the waveform


def _bare(jw: ComplexArray) -> ComplexArray:
    """U1/I: the 500 ohm alone; what is in series with them changes no driven current."""
    return np.full_like(jw, RB_OHM)


def _perception(jw: ComplexArray) -> ComplexArray:
    """U2/I = Zp/(jωC1·Zb) with Zb = R1 + 1/jωC1 and Zp = RB ∥ Zb, multiplied out."""
    return RB_OHM / (1.0 + jw * C1_F * (RB_OHM + R1_OHM))


def _let_go(jw: ComplexArray) -> ComplexArray:
    """U3/I: RB loaded by R2 into C2 ∥ (R3 + C3); U3 is over C3. Admittances, so that DC is finite."""
    last = 1.0 + jw * R3_OHM * C3_F
    shunt = jw * C2_F + jw * C3_F / last
    loaded = 1.0 + R2_OHM * shunt
    body = 1.0 / (1.0 / RB_OHM + shunt / loaded)
    through: ComplexArray = body / loaded / last
    return through


def _md(jw: ComplexArray) -> ComplexArray:
    """Vout/I: R2 is loaded by R1 and C1, so the corner is at 1/(2π·(R1+R2)·C1), not at R1·C1."""
    return MD_R2_OHM / (1.0 + jw * MD_C1_F * (MD_R1_OHM + MD_R2_OHM))


def _rc(jw: ComplexArray) -> ComplexArray:
    """1500 ohm ∥ 0.15 µF."""
    return RC_OHM / (1.0 + jw * RC_OHM * RC_F)


@dataclass(frozen=True, slots=True)
class Network:
    """``transfer``: volts at its meter per ampere, of jω in rad/s. Its current is volts over ``ohm``."""

    name: str
    words: str
    source: str
    ohm: float
    transfer: Callable[[ComplexArray], ComplexArray]


NETWORKS: tuple[Network, ...] = (
    Network("unweighted", "unweighted", "IEC 60990 figure 3, from memory", RB_OHM, _bare),
    Network("perception", "perception", "IEC 60990 figure 4, from memory", RB_OHM, _perception),
    Network("let_go", "let-go", "IEC 60990 figure 5, from memory", RB_OHM, _let_go),
    Network("md", "measuring device", "IEC 60601-1:2005 figure 12", MD_R2_OHM, _md),
)
AVERAGING = Network(
    "average", "1500 ohm and 0.15 µF, 1.11 x average", "UL 101 family, as quoted", RC_OHM, _rc
)


def weighting(network: Network, frequency_hz: FloatArray) -> ComplexArray:
    """Shown current over true current at each frequency: 1 at DC, less and later above."""
    jw: ComplexArray = np.asarray(frequency_hz, dtype=np.complex128) * (2j * math.pi)
    weight: ComplexArray = network.transfer(jw) / network.ohm
    return weight


@lru_cache(maxsize=8)
def _lines_hz(points: int, rate_hz: float) -> FloatArray:
    return np.asarray(np.arange(points // 2 + 1) * (rate_hz / points), dtype=np.float64)


@lru_cache(maxsize=8)
def squares(points: int, rate_hz: float) -> FloatArray:
    """Lines x networks: from a line's power to its share of each network's mean square."""
    lines_hz = _lines_hz(points, rate_hz)
    columns = [np.square(np.abs(weighting(network, lines_hz))) for network in NETWORKS]
    found: Any = np.stack(columns, axis=1) * line_scales(points)[:, None]
    return np.asarray(found, dtype=np.float64)


@lru_cache(maxsize=8)
def _single(points: int, rate_hz: float) -> Any:
    """The averaging network by line, in single precision: 1e-6 is enough for a rectified mean."""
    return weighting(AVERAGING, _lines_hz(points, rate_hz)).astype(np.complex64)


def shown_average(found: Spectrum) -> FloatArray:
    """The averaging indication: 1.11 times the mean of the rectified volts, over 1500 ohm.

    Of the waveform, not of its r.m.s.: the indication reads a half-wave 29 % too low.
    """
    seen = found.raw.astype(np.complex64)
    seen *= _single(found.points, found.rate_hz)
    volts: Any = np.fft.irfft(seen, found.points)
    share = np.full(found.points, AVERAGE / found.points, volts.dtype)
    mean: FloatArray = np.abs(volts, out=volts) @ share
    return mean


def shown_peaks(found: Spectrum) -> FloatArray:
    """Peak current that each of ``NETWORKS`` would show; last axis networks (IEC 60990 reads peaks)."""
    weights = np.stack([weighting(n, _lines_hz(found.points, found.rate_hz)) for n in NETWORKS])
    waves = np.fft.irfft(found.raw[..., None, :] * weights, found.points)
    highest: FloatArray = np.abs(waves).max(axis=-1)
    return highest
