"""Everything that a captured waveform tells, for one part or for many at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from procedures.arrays import FloatArray
from procedures.networks import NETWORKS, shown_average, squares
from procedures.spectrum import (
    ComplexArray,
    Spectrum,
    groups,
    less,
    line_scales,
    spectrum,
    subgroups,
)

BLOCK = 64  # windows at a time: what lies between two steps then stays in the processor's cache
UNWEIGHTED = next(n for n, network in enumerate(NETWORKS) if network.name == "unweighted")


@dataclass(frozen=True, slots=True, eq=False)
class Readout:
    """By window, r.m.s. in the wave's unit; ``dc`` signed, ``fundamental`` phasors.

    ``orders`` are harmonic groups and ``near`` subgroups, last axis order 1 upwards. ``between`` is
    what lies on no harmonic's line: a current that is not the same in each cycle. ``shown``: last axis
    as ``NETWORKS``; ``average``: the averaging indication.
    """

    dc: FloatArray
    fundamental: ComplexArray
    orders: FloatArray
    near: FloatArray
    between: FloatArray
    shown: FloatArray
    average: FloatArray

    @property
    def rms(self) -> FloatArray:
        """All of it, DC too."""
        whole: FloatArray = self.shown[..., UNWEIGHTED]
        return whole


@lru_cache(maxsize=8)
def _columns(points: int, cycles: int, rate_hz: float) -> FloatArray:
    """Lines x (networks, between): one product gives all mean squares."""
    between = line_scales(points, cycles)[:, None]
    return np.concatenate([squares(points, rate_hz), between], axis=1)


def readout(
    waves: FloatArray, cycles: int, rate_hz: float, without: ComplexArray | None = None
) -> Readout:
    """Windows (parts x ... x time) of ``cycles`` supply cycles, sampled at ``rate_hz``, read.

    ``without``: a phasor by window that is no part of the part, the fixture's. Raises BadWave.
    """
    shape = waves.shape[:-1]
    read = [_block(found) for found in _blocks(waves, cycles, rate_hz, without)]
    columns = [np.concatenate(column) for column in zip(*read, strict=True)]
    return Readout(*(column.reshape(shape + column.shape[1:]) for column in columns))


def _blocks(
    waves: FloatArray, cycles: int, rate_hz: float, without: ComplexArray | None
) -> Iterator[Spectrum]:
    rows = waves.reshape(-1, waves.shape[-1])
    phasors = None if without is None else np.broadcast_to(without, waves.shape[:-1]).reshape(-1)
    for first in range(0, len(rows), BLOCK):
        found = spectrum(rows[first : first + BLOCK], cycles, rate_hz)
        yield found if phasors is None else less(found, phasors[first : first + BLOCK])


def _block(found: Spectrum) -> tuple[Any, ...]:
    """As the fields of ``Readout``."""
    means = np.sqrt(found.power @ _columns(found.points, found.cycles, found.rate_hz))
    return (
        found.dc,
        found.fundamental,
        groups(found),
        subgroups(found),
        means[..., -1],
        means[..., :-1],
        shown_average(found),
    )
