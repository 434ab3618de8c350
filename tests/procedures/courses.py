"""Made leakage series with known truths: noise that remembers, and courses of each kind. mA and s."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Floats = npt.NDArray[np.float64]
Course = Callable[[np.random.Generator, Floats, Floats], Floats]
BURN_IN = 300  # samples until a series has forgotten its beginning


def remembering(rng: np.random.Generator, parts: int, n: int, r: float) -> Floats:
    """Noise of standard deviation 1 with correlation ``r`` from one sample to the next; parts x n."""
    white = rng.normal(size=(parts, n + BURN_IN))
    made = lfilter([1.0], [1.0, -r], white, axis=1)[:, BURN_IN:]
    return np.asarray(made * np.sqrt(1.0 - r * r), np.float64)


def _drying(rng: np.random.Generator, u: Floats, size: Floats) -> Floats:
    return size * np.exp(-u / rng.uniform(0.05, 0.8, size.shape))


def _rising(rng: np.random.Generator, u: Floats, size: Floats) -> Floats:
    return size * (1.0 - np.exp(-u / rng.uniform(0.05, 0.8, size.shape)))


def _stepping(rng: np.random.Generator, u: Floats, size: Floats) -> Floats:
    made = np.zeros((len(size), u.size))
    for _ in range(int(rng.integers(1, 4))):
        sign = rng.choice([-1.0, 1.0], size.shape)
        made += (
            sign
            * size
            * rng.uniform(0.6, 1.0, size.shape)
            * (u > rng.uniform(0.1, 0.9, size.shape))
        )
    return made


def _bursts(rng: np.random.Generator, u: Floats, size: Floats) -> Floats:
    made = np.zeros((len(size), u.size))
    for row, height in zip(made, size[:, 0], strict=True):
        for at in rng.integers(0, u.size - 3, int(rng.integers(4, 10))):
            row[at : at + 2] = height * rng.uniform(0.5, 1.0)
    return made


def _periodic(rng: np.random.Generator, u: Floats, size: Floats) -> Floats:
    turns = rng.uniform(3.0, 25.0, size.shape) * u + rng.uniform(0.0, 1.0, size.shape)
    return size / 2.0 * np.sin(2.0 * np.pi * turns)


def _wandering(rng: np.random.Generator, u: Floats, size: Floats) -> Floats:
    return np.asarray(np.cumsum(rng.normal(size=(len(size), u.size)), axis=1) * size / 8.0)


def _sweeping(rng: np.random.Generator, u: Floats, size: Floats) -> Floats:
    return size / 2.0 * np.sin(2.0 * np.pi * 20.0 * np.square(u)) + np.zeros_like(size)


COURSES: Mapping[str, Course] = {
    "steady": lambda rng, u, size: np.zeros((len(size), u.size)),
    "drying": _drying,
    "rising": _rising,
    "stepping": _stepping,
    "bursts": _bursts,
    "periodic": _periodic,
    # of no kind that the table names
    "wandering": _wandering,
    "sweeping": _sweeping,
}


def course(
    name: str, rng: np.random.Generator, parts: int, n: int, size_ma: tuple[float, float]
) -> Floats:
    """``parts`` courses of one kind over ``n`` samples, changing by ``size_ma`` about; no noise, and
    never below 0.05 mA: a leakage is a magnitude."""
    size = rng.uniform(*size_ma, (parts, 1))
    made = 0.3 + COURSES[name](rng, np.linspace(0.0, 1.0, n), size)
    return made - np.minimum(made.min(axis=1, keepdims=True) - 0.05, 0.0)
