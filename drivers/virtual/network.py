"""Nodal analysis of a small linear network at one frequency.

Node 0 is the source earth bar. Kirchhoff's current law at each other node gives Y·V = I; each
column of I is one source at 1 V, so that a change of supply voltage needs no new solution.
Textbook circuit theory (node-voltage method); admittances in siemens, volts per volt of source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

EARTH = 0
STRAY_S = 1e-11  # keeps a floating node defined; 120 V drives 1.2 nA through it


class Network:
    """Add nodes and branches, then ``solve``."""

    def __init__(self) -> None:
        self.nodes = 1
        self._branches: list[tuple[int, int, complex]] = []
        self._sources: list[tuple[int, int, complex, int]] = []

    def node(self) -> int:
        """A new node's number."""
        self.nodes += 1
        return self.nodes - 1

    def branch(self, a: int, b: int, siemens: complex) -> None:
        """An admittance between two nodes."""
        self._branches.append((a, b, siemens))

    def source(
        self, node: int, siemens: complex, column: int, sign: float, star: int = EARTH
    ) -> None:
        """A voltage source of ``sign`` volts to ``star`` behind an admittance."""
        self._branches.append((node, star, siemens))
        self._sources.append((node, star, siemens * sign, column))

    def solve(self, columns: int) -> list[list[complex]]:
        """Node voltages by source column; row 0 (earth) is zero."""
        y = np.zeros((self.nodes, self.nodes), dtype=np.complex128)
        for a, b, siemens in self._branches:
            y[a, a] += siemens
            y[b, b] += siemens
            y[a, b] -= siemens
            y[b, a] -= siemens
        currents = np.zeros((self.nodes, columns), dtype=np.complex128)
        for node, star, amperes, column in self._sources:
            currents[node, column] += amperes
            currents[star, column] -= amperes
        inner: NDArray[np.complex128] = y[1:, 1:] + STRAY_S * np.eye(self.nodes - 1)
        volts = np.linalg.solve(inner, currents[1:])
        zero: list[complex] = [0j] * columns
        rows: list[list[complex]] = volts.tolist()
        return [zero, *rows]
