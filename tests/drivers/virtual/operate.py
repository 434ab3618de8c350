"""Switching a plant by hand, in the right order, so that a test can look at one thing."""

from __future__ import annotations

from collections.abc import Iterable

from drivers.virtual import scenario
from drivers.virtual.leaks import Leak
from drivers.virtual.plant import Plant
from drivers.virtual.truth import LeakTruth, PartTruth

DEMO = scenario.load()
FEEDS = ("limited", "line_neutral", "neutral_line", "both_hot", "line_line")


def heater(*leaks: LeakTruth, watts: float = 5500.0) -> PartTruth:
    """A 240 V element with the given leaks."""
    return PartTruth(family="heater", rated_v=240.0, rated_w=watts, leaks=leaks)


def leak_ohm(at: float, ohm: float) -> LeakTruth:
    """A resistive leak of ``ohm``: 120 V on both ends drives 120 000 / ohm mA."""
    return LeakTruth(at=at, resistive_ma=120_000.0 / ohm)


class Operator:
    """A plant with its lid locked and one part in bay 1."""

    def __init__(self, part: PartTruth | str | None, seed: int = 1) -> None:
        shelf = {"part": part} if isinstance(part, PartTruth) else DEMO
        self.plant = Plant(shelf, seed=seed)
        if part is not None:
            self.plant.mount(1, "part" if isinstance(part, PartTruth) else part)
        self.plant.lid(True)
        self.on(["lid_lock"])
        self.plant.step(0.5)

    def on(self, names: Iterable[str], on: bool = True) -> None:
        for name in names:
            self.plant.set_output(name, on)

    def water(self) -> None:
        """Fill, flow, wait until both inputs say so."""
        self.on(["aid_water", "aid_flow"])
        self.plant.step(20.0)
        assert self.plant.water.level_ok
        assert self.plant.water.flow_ok

    def off(self) -> None:
        self.on(["contactor_1", "contactor_2"], False)
        self.plant.step(0.1)

    def live(self, feed: str, seconds: float = 1.0, *also: str) -> Plant:
        """Contactors open, route, close, wait."""
        self.off()
        for other in FEEDS:
            self.plant.set_output(f"feed_{other}", other == feed)
        self.on(["bay_1", *also])
        self.on(["contactor_1", "contactor_2"])
        self.plant.step(seconds)
        return self.plant

    def leakage_ma(self, feed: str, seconds: float = 1.0, *also: str) -> complex:
        """The true ground-conductor current, at exactly 120 V per leg, without the fixture's own."""
        plant = self.live(feed, seconds, *also)
        true = 1000.0 * plant.world.earth_a * 120.0 / plant.supply.leg_1_v
        return true - self.fixture_ma(feed)

    def fixture_ma(self, feed: str) -> complex:
        """Capacitance of the fixture at the hot terminal, by design not more than 0.03 mA."""
        stray = self.plant.fixture.stray_s[feed] * 120_000.0
        assert 0.009 < stray.imag < 0.031
        return stray if feed != "limited" else 0j

    def source(self, name: str, seconds: float = 1.2) -> dict[str, float]:
        """A dead test's readings."""
        self.off()
        self.on(["bay_1", f"source_{name}"])
        self.plant.step(seconds)
        values = self.plant.values()
        self.on([f"source_{name}"], False)
        self.plant.step(0.1)
        return values


def leaks_of(plant: Plant) -> list[Leak]:
    """The leaks of the part in bay 1."""
    plant.set_output("bay_1", True)
    return plant.routed[0].leaks
