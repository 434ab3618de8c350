"""A captured waveform as lines, harmonic groups and a vector: what a plain reading can't tell apart.

Windows are a whole number of supply cycles, 10 at 50 Hz and 12 at 60 Hz, so that lines stand about
5 Hz apart (IEC 61000-4-7, as quoted in secondary texts). Arrays are parts (x windows) x time, last
axis time; everything comes out r.m.s. in the wave's own unit, DC signed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from procedures.arrays import FloatArray
from procedures.errors import BadWave

ComplexArray = npt.NDArray[np.complex128]
WINDOW_S = 0.2  # 10 cycles of 50 Hz, 12 of 60 Hz (IEC 61000-4-7, as quoted)
HIGHEST = 40  # harmonic order up to which there are groups (IEC 61000-4-7, from memory)
LEAST_POINTS = 4  # a cycle


def window_cycles(nominal_hz: float) -> int:
    """Supply cycles in one window: 10 at 50 Hz, 12 at 60 Hz."""
    return round(nominal_hz * WINDOW_S)


def window_points(rate_hz: float, frequency_hz: float, cycles: int) -> int:
    """Samples that are nearest to ``cycles`` of the supply as it is now, not as it is named.

    The window follows the supply, because a fixed one smears each line into its neighbours. Raises
    BadWave where either is no frequency.
    """
    if not (0.0 < frequency_hz < math.inf and 0.0 < rate_hz < math.inf):
        words = f"{rate_hz:g} samples a second at {frequency_hz:g} Hz"
        raise BadWave("waveform", words, "look at the bench file")
    return round(cycles * rate_hz / frequency_hz)


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """One window of each wave. ``raw`` is the unscaled transform, its last axis lines 0 to points/2;
    ``power`` its squares. ``cycles`` is also the number of the fundamental's line."""

    raw: ComplexArray
    power: FloatArray
    points: int
    cycles: int
    rate_hz: float

    @property
    def highest(self) -> int:
        """The highest harmonic order with a whole group below half the sampling rate, at most 40."""
        return min(HIGHEST, (self.points // 2 - 1 - (self.cycles + 1) // 2) // self.cycles)

    @property
    def scale(self) -> float:
        """From ``power`` to mean square of a line (not of DC, nor of the line at half the rate)."""
        return 2.0 / self.points**2

    @property
    def dc(self) -> FloatArray:
        """The mean, signed."""
        mean: FloatArray = self.raw[..., 0].real / self.points
        return mean

    @property
    def fundamental(self) -> ComplexArray:
        """The fundamental as an r.m.s. phasor; its phase counts from the window's first sample."""
        phasor: ComplexArray = self.raw[..., self.cycles] * math.sqrt(self.scale)
        return phasor

    @property
    def rms(self) -> FloatArray:
        """All of it, DC too (Parseval)."""
        total: FloatArray = np.sqrt(self.power @ line_scales(self.points))
        return total


@lru_cache(maxsize=8)
def line_scales(points: int, dropped: int = 0) -> FloatArray:
    """By line, what makes its ``power`` a mean square: DC and the line at half the rate count once.

    Each line that is a multiple of ``dropped`` counts nothing.
    """
    scales = np.full(points // 2 + 1, 2.0 / points**2)
    scales[0] /= 2.0
    if points % 2 == 0:
        scales[-1] /= 2.0
    if dropped:
        scales[::dropped] = 0.0
    scales.flags.writeable = False
    return scales


def spectrum(wave: FloatArray, cycles: int, rate_hz: float) -> Spectrum:
    """The lines of windows of exactly ``cycles`` supply cycles; raises BadWave for too few samples."""
    points = wave.shape[-1]
    if cycles < 1 or points < LEAST_POINTS * cycles:
        words = f"{points} samples are too few for {cycles} cycles"
        raise BadWave("waveform", words, f"at least {LEAST_POINTS} a cycle")
    raw = np.fft.rfft(wave)
    return Spectrum(raw, _squared(raw), points, cycles, rate_hz)


def _squared(raw: ComplexArray) -> FloatArray:
    power: FloatArray = np.square(raw.real)
    power += np.square(raw.imag)
    return power


def phasor(wave: FloatArray, cycles: int) -> ComplexArray:
    """The fundamental alone, r.m.s., as ``Spectrum.fundamental`` has it, without the other lines."""
    both = wave @ _basis(wave.shape[-1], cycles)
    found: ComplexArray = both[..., 0] + 1j * both[..., 1]
    return found


@lru_cache(maxsize=8)
def _basis(points: int, cycles: int) -> FloatArray:
    turn = math.tau * cycles / points * np.arange(points)
    basis = np.stack([np.cos(turn), -np.sin(turn)], axis=-1)
    return np.asarray(basis * (math.sqrt(2.0) / points), dtype=np.float64)


def groups(found: Spectrum) -> FloatArray:
    """Harmonic groups of order 1 to ``highest``, last axis orders.

    G² = ½C²(k-N/2) + ΣC² + ½C²(k+N/2) around line k of each order (IEC 61000-4-7, from memory; the
    half edges as a power analyser's handbook illustrates them). The fundamental is its line alone:
    what lies between harmonics is not counted to it (same handbook).
    """
    cycles, highest = found.cycles, found.highest
    lower, upper = cycles // 2, (cycles + 1) // 2  # an odd window has no line on the edge
    wide = found.power[..., cycles - lower : highest * cycles + upper + 1]
    body = wide[..., :-1].reshape(*wide.shape[:-1], highest, cycles) @ np.ones(cycles)
    if cycles % 2 == 0:
        edges = wide[..., ::cycles]
        body += 0.5 * (edges[..., 1:] - edges[..., :-1])
    body[..., 0] = found.power[..., cycles]
    grouped: FloatArray = np.sqrt(body * found.scale)
    return grouped


def subgroups(found: Spectrum) -> FloatArray:
    """Harmonic subgroups of order 1 to ``highest``: SG² = C²(k-1) + C²(k) + C²(k+1), from memory."""
    cycles, power = found.cycles, found.power
    end = found.highest * cycles
    three = [power[..., cycles + n : end + n + 1 : cycles] for n in (-1, 0, 1)]
    total: FloatArray = np.sqrt(found.scale * (three[0] + three[1] + three[2]))
    return total


def distortion(orders: FloatArray) -> FloatArray:
    """Total harmonic distortion of groups or subgroups, relative to the fundamental; NaN without one."""
    first, rest = orders[..., 0], orders[..., 1:]
    share: FloatArray = np.sqrt(np.square(rest).sum(axis=-1)) / np.where(first > 0.0, first, np.nan)
    return share


def against(current: ComplexArray, supply: ComplexArray) -> tuple[FloatArray, FloatArray]:
    """A current's phasor in phase with ``supply`` and leading it by 90 degrees; same unit, signed.

    NaN without a supply: a phase against nothing is missing, not zero.
    """
    size: Any = np.abs(supply)
    turned = current * np.conj(supply) / np.where(size > 0.0, size, np.nan)
    return turned.real, turned.imag


def along(resistive: float, capacitive: float, supply: ComplexArray) -> ComplexArray:
    """The inverse of ``against``: the phasor of a vector beside this supply."""
    phasors: ComplexArray = complex(resistive, capacitive) * supply / np.abs(supply)
    return phasors


def less(found: Spectrum, phasors: ComplexArray) -> Spectrum:
    """``found`` without a current at the fundamental (r.m.s. phasors): the fixture's.

    A phasor, never a magnitude.
    """
    raw, power = found.raw.copy(), found.power.copy()
    raw[..., found.cycles] -= phasors / math.sqrt(found.scale)
    power[..., found.cycles] = _squared(raw[..., found.cycles])
    return replace(found, raw=raw, power=power)
