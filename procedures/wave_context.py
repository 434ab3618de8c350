"""What a stage's captured waveform says of its part: context on the record, never deciding.

The fixture comes off as a vector, and everything is brought to nominal volts: a resistance, a
capacitance, a half-wave part and harmonics of a linear path all follow the volts. Arcs don't: where
they are seen nothing is scaled, and the record says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from procedures.arrays import FloatArray
from procedures.networks import NETWORKS, shown_peaks
from procedures.scan import LEAKAGE_MA, SUPPLY_V, Waveforms
from procedures.spectrum import (
    Spectrum,
    against,
    along,
    distortion,
    less,
    phasor,
    spectrum,
    window_cycles,
    window_points,
)
from procedures.vectors import Vector
from procedures.waveform import readout

ARC_CREST = 6.0  # peak over r.m.s. of what is not the same in each cycle (P); noise stays below 4.5
ARC_FLOOR = 2.0  # times the meter's floor: less is the meter's own (P)
FREQUENCY_SPAN = 0.05  # of nominal: farther off, the supply's waveform is not to be believed
LEAST_V = 1.0  # without volts there is no phase
RMS_ONLY = "the meter tells no waveforms: r.m.s. values only"


@dataclass(frozen=True, slots=True)
class WaveContext:
    """Currents r.m.s. in mA, DC signed; at nominal volts where ``scaled``, else as captured.

    ``groups_ma`` and ``subgroups_ma`` are of order 1 upwards. ``between_ma`` is not the same in each
    cycle; ``arcs``: it comes in bursts. ``resistive_ma``, ``capacitive_ma`` are None without the
    supply's waveform. ``shown_ma`` and ``peaks_ma`` by network, ``average_ma`` as averaging meters.
    Arcs that strike alike in each cycle look like harmonics and are not told.
    """

    cycles: int
    frequency_hz: float
    scaled: bool
    rms_ma: float
    dc_ma: float
    fundamental_ma: float
    resistive_ma: float | None
    capacitive_ma: float | None
    groups_ma: tuple[float, ...]
    subgroups_ma: tuple[float, ...]
    between_ma: float
    arcs: bool
    shown_ma: Mapping[str, float]
    peaks_ma: Mapping[str, float]
    average_ma: float

    @property
    def harmonics_ma(self) -> float:
        """All groups from the second order upwards."""
        return math.hypot(*self.groups_ma[1:])

    @property
    def distortion(self) -> float | None:
        """Harmonics over the fundamental; None without one."""
        share = float(distortion(np.array(self.groups_ma)))
        return share if math.isfinite(share) else None


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What belongs to a capture besides its samples: the bench's ``nominal_hz``, the supply's
    frequency where it is measured, the fixture's vector (mA) at the volts of the capture, the factor
    to nominal volts (None: not to be scaled), and the meter's floor in mA."""

    nominal_hz: float
    measured_hz: float | None
    fixture_ma: Vector
    to_nominal: float | None
    floor_ma: float


def frequency_of(wave: FloatArray, rate_hz: float, guess_hz: float) -> float:
    """The frequency of a supply's waveform in Hz, from how far its phase moves in half of it.

    ``guess_hz`` within 5 %: beyond, the phase would have gone round.
    """
    found_hz = guess_hz
    for _ in range(3):
        if abs(found_hz - guess_hz) > 2 * FREQUENCY_SPAN * guess_hz:
            break  # no supply: whatever this is, its phase goes its own way
        cycles = max(1, int(len(wave) * found_hz / rate_hz) // 2)
        points = window_points(rate_hz, found_hz, cycles)
        first, second = (phasor(part, cycles) for part in (wave[:points], wave[-points:]))
        apart_s = (len(wave) - points) / rate_hz
        turned = float(np.angle(second * np.conj(first))) - math.tau * found_hz * apart_s
        found_hz += math.remainder(turned, math.tau) / math.tau / apart_s
    return found_hz


def context(waves: Waveforms, of: Circumstances) -> WaveContext | None:
    """One capture read; None where the leakage's waveform is missing or too short for a window.

    The latest whole window counts: the earlier part of a capture may be from before. A supply's
    waveform that shows no supply gives no phase.
    """
    wave, supply = waves.samples.get(LEAKAGE_MA), waves.samples.get(SUPPLY_V)
    if wave is None:
        return None
    cycles = window_cycles(of.nominal_hz)
    hz = of.measured_hz or of.nominal_hz
    if supply is not None:
        seen_hz = frequency_of(supply, waves.rate_hz, hz)
        believed = abs(seen_hz - of.nominal_hz) <= FREQUENCY_SPAN * of.nominal_hz
        hz, supply = (seen_hz, supply) if believed else (hz, None)
    points = window_points(waves.rate_hz, hz, cycles)
    if points > len(wave):
        return None
    volts = 0j if supply is None else complex(phasor(supply[-points:], cycles))
    known = volts if abs(volts) >= LEAST_V else None
    return _read(wave[-points:], cycles, hz, waves.rate_hz, known, of)


def _read(
    wave: FloatArray,
    cycles: int,
    hz: float,
    rate_hz: float,
    volts: complex | None,
    of: Circumstances,
) -> WaveContext:
    """``volts``: the supply's phasor in this window, None where only magnitudes can be told."""
    fixture = None if volts is None else along(*of.fixture_ma, np.array(volts))
    bare = spectrum(wave, cycles, rate_hz)
    bare = bare if fixture is None else less(bare, fixture)
    found = readout(wave, cycles, rate_hz, fixture)
    arcs = _arcs(bare, float(found.between), of.floor_ma)
    by = of.to_nominal if of.to_nominal is not None and not arcs else 1.0
    res, cap = (None, None) if volts is None else against(found.fundamental, np.array(volts))
    names = [network.name for network in NETWORKS]
    return WaveContext(
        cycles=cycles,
        frequency_hz=hz,
        scaled=of.to_nominal is not None and not arcs,
        rms_ma=by * float(found.rms),
        dc_ma=by * float(found.dc),
        fundamental_ma=by * abs(complex(found.fundamental)),
        resistive_ma=None if res is None else by * float(res),
        capacitive_ma=None if cap is None else by * float(cap),
        groups_ma=tuple(float(one) for one in by * found.orders),
        subgroups_ma=tuple(float(one) for one in by * found.near),
        between_ma=by * float(found.between),
        arcs=arcs,
        shown_ma=dict(zip(names, (by * found.shown).tolist(), strict=True)),
        peaks_ma=dict(zip(names, (by * shown_peaks(bare)).tolist(), strict=True)),
        average_ma=by * float(found.average),
    )


def _arcs(found: Spectrum, between_ma: float, floor_ma: float) -> bool:
    """Whether what is not the same in each cycle comes in bursts, and is more than the meter's own."""
    if between_ma <= ARC_FLOOR * floor_ma:
        return False
    raw = found.raw.copy()
    raw[..., :: found.cycles] = 0.0
    rest = np.fft.irfft(raw, found.points)
    return float(np.abs(rest).max()) > ARC_CREST * between_ma
