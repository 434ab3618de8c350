"""Node-voltage method against circuits worked by hand (textbook circuit theory)."""

from __future__ import annotations

import pytest

from drivers.virtual.network import EARTH, Network


def test_divider() -> None:
    net = Network()
    top, middle = net.node(), net.node()
    net.source(top, 1e6, 0, 1.0)
    net.branch(top, middle, 1.0 / 100.0)
    net.branch(middle, EARTH, 1.0 / 300.0)
    volts = net.solve(1)
    assert volts[middle][0] == pytest.approx(0.75, rel=1e-6)
    assert volts[EARTH][0] == 0


def test_two_sources_superpose() -> None:
    """Two sources through equal resistors: each contributes half at the common node."""
    net = Network()
    one, two, common = net.node(), net.node(), net.node()
    net.source(one, 1e6, 0, 1.0)
    net.source(two, 1e6, 1, -1.0)
    net.branch(one, common, 0.001)
    net.branch(two, common, 0.001)
    first, second = net.solve(2)[common]
    assert first == pytest.approx(0.5, rel=1e-6)
    assert second == pytest.approx(-0.5, rel=1e-6)


def test_capacitor_leads_by_90_degrees() -> None:
    """1 kohm in series with -j1 kohm: the junction sits at (1 - j)/2 of the source."""
    net = Network()
    top, middle = net.node(), net.node()
    net.source(top, 1e7, 0, 1.0)
    net.branch(top, middle, 1e-3)
    net.branch(middle, EARTH, 1e-3j)
    assert net.solve(1)[middle][0] == pytest.approx(0.5 - 0.5j, rel=1e-3)


def test_a_floating_node_is_dead_not_an_error() -> None:
    net = Network()
    top, alone = net.node(), net.node()
    net.source(top, 1.0, 0, 1.0)
    assert abs(net.solve(1)[alone][0]) < 1e-9
