"""Invented parts with a known fault, and what a bench would read of them: for judging likely causes.

Nothing here is taken from the code that judges: leaks are conductances along an element, readings follow
from Ohm's law with meter errors, and a procedure's course (what is not energised any more, what is not
fitted) is played by hand. Currents in mA as 120 V drives them, one reading a second.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from procedures.limits import limits_for
from procedures.scan import Check, Condition, Part
from procedures.story import Story
from procedures.swing import swing_of

GATE_MA, CUT_MA, PASS_MA, FAIL_MA = 3.0, 3.5, 0.75, 1.5
PLATES: dict[str, dict[str, float]] = {
    "heater": {"rated_v": 240.0, "rated_w": 5500.0},
    "pump": {"rated_v": 240.0, "rated_a": 10.0, "low_a": 3.5, "speeds": 2},
    "blower": {"rated_v": 120.0, "rated_a": 5.0},
    "ozone_corona": {"rated_v": 120.0, "rated_w": 20.0},
    "converter": {"rated_v": 120.0},
    "transformer": {"rated_v": 120.0},
    "light": {"rated_v": 120.0, "rated_w": 20.0},
}


@dataclass
class Leak:
    """Resistive mA in each state of the part, at ``at`` along it; ``jump`` 0 to 1 shakes it."""

    at: float = 0.0
    dry: float = 0.0
    wet: float = 0.0
    hot: float = 0.0
    soaked: float = 0.0
    baked: float | None = None  # after drying; None: it doesn't dry
    slow: float = 0.0
    fast: float = 0.0
    humid: float = 0.0
    jump: float = 0.0
    drops: float = 0.0  # share of seconds in which it is nearly gone

    @classmethod
    def steady(cls, ma: float, at: float = 0.0, jump: float = 0.0, drops: float = 0.0) -> Leak:
        """The same in every state."""
        states = ("dry", "wet", "hot", "soaked", "slow", "fast", "humid")
        return cls(at=at, jump=jump, drops=drops, **dict.fromkeys(states, ma))


@dataclass
class Truth:
    """What is really so. ``cap`` is the part's own capacitance to the case, spread evenly."""

    family: str
    cause: str
    leaks: list[Leak] = field(default_factory=list)
    cap: float = 0.1
    dc: float = 0.0
    draws: float = 1.0  # of the plate
    ohms: float = 1.0  # of the plate; infinite: open
    hums: bool = False
    shaft: bool = True
    bond_open: bool = False
    across_mohm: float = 500.0
    output: bool = True
    look: str = "clean"


@dataclass
class Bench:
    """Plays the attempt: reads, and stops where the gate or the cut-off would."""

    truth: Truth
    rng: np.random.Generator
    conditions: list[Condition] = field(default_factory=list)
    checks: list[Check] = field(default_factory=list)
    facts: dict[str, float | str] = field(default_factory=dict)
    swings: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    dried: bool = False

    def __post_init__(self) -> None:
        self.gain = 1.0 + self.rng.normal(0.0, 0.004)
        self.has_dc = self.rng.random() < 0.85

    def read(self, name: str, state: str, way: str, seconds: int = 20, counts: bool = True) -> bool:
        """One stage; false when it was cut off."""
        res = self._series(state, way, seconds)
        cap = self.truth.cap * CAP_SHARE[way] * self.gain + self.rng.normal(0.0, 0.005)
        y = math.hypot(float(res.mean()), cap, self.truth.dc)
        cut = way != "tied" and float(np.hypot(res, cap).max()) > CUT_MA
        basis = "above" if cut else "prospective" if way == "tied" else "measured"
        dc = self.truth.dc + self.rng.normal(0.0, 0.005) if self.has_dc else None
        self._add(name, basis, CUT_MA if cut else y, float(res.mean()), cap, dc, counts)
        found = swing_of(np.hypot(res[:8] if way == "tied" else res, cap))
        if found is not None and not cut:
            self.swings[name] = found
        return not cut

    def _series(self, state: str, way: str, seconds: int) -> np.ndarray:
        """In-phase mA a second each, with noise of the meter."""
        total = np.zeros(seconds)
        for leak in self.truth.leaks:
            ma = leak.baked if self.dried and leak.baked is not None else getattr(leak, state)
            ma = leak.soaked if state == "soaked" else ma
            shaken = 1.0 + leak.jump * self.rng.uniform(-1.0, 1.0, seconds)
            shaken[self.rng.random(seconds) < leak.drops] = 0.05
            total += ma * shaken * seen(leak.at, way)
        return np.abs(total * self.gain + self.rng.normal(0.0, 0.003, seconds))

    def _add(
        self,
        name: str,
        basis: str,
        y: float,
        res: float,
        cap: float,
        dc: float | None,
        counts: bool,
    ) -> None:
        made = Condition(
            name=name,
            feed="",
            basis=basis,  # type: ignore[arg-type]
            y_ma=y,
            u_ma=0.01 + 0.012 * y,
            resistive_ma=res,
            capacitive_ma=cap,
            dc_ma=dc,
            second_ma=None,
            supply_v=120.0,
            samples=100,
            start_s=0.0,
            end_s=20.0,
            control_seen=True,
            counts=counts,
        )
        self.conditions.append(made)

    def check(
        self, name: str, value: float | None, allowed: str, met: bool | None, words: str = ""
    ) -> None:
        self.checks.append(Check(name, value, "", allowed, met, words))

    def dead(self, stop_mohm: float, state: str = "dry") -> bool:
        """Insulation at DC of the state that the part is in; false below the stop value."""
        ma = sum(leak.dry if state == "dry" else leak.wet for leak in self.truth.leaks)
        mohm = min(1000.0, 0.12 / max(ma * self.rng.uniform(0.5, 1.1), 1e-4))
        good = mohm >= stop_mohm
        self.check(f"insulation, {state}", mohm, f">= {stop_mohm:g}", good or None)
        return good

    def story(self) -> Story:
        part = Part("P", self.truth.family, **PLATES[self.truth.family])  # type: ignore[arg-type]
        limits = limits_for(part.family, part)
        kept = (tuple(self.conditions), tuple(self.checks), self.facts, self.swings)
        return Story(part, limits, *kept)


CAP_SHARE = {"ln": 0.5, "nl": 0.5, "both": 1.0, "tied": 1.0, "ll": 0.02}


def seen(at: float, way: str) -> float:
    """Volts at a place along the element over 120 V (voltage divider)."""
    return {"ln": 1.0 - at, "nl": at, "both": 1.0, "tied": 1.0, "ll": abs(1.0 - 2.0 * at)}[way]


def begin(bench: Bench) -> bool:
    """Look and bond."""
    truth = bench.truth
    bench.check("look", None, "clean", truth.look == "clean", truth.look)
    ohm = None if truth.bond_open else 0.03
    bench.check(
        "ground bond", ohm, "<= 0.1", not truth.bond_open, "open or over range" * truth.bond_open
    )
    return not truth.bond_open and truth.look == "clean"


def _ohms(bench: Bench, judged: bool) -> bool:
    share = bench.truth.ohms
    if math.isinf(share):
        bench.check("ohms", None, "9.42 to 11.52", False if judged else None, "open or over range")
        return not judged
    good = 0.9 <= share <= 1.1
    bench.check(
        "ohms", 10.47 * share, "9.42 to 11.52" if judged else "recorded", good if judged else None
    )
    return good or not judged


def _last(bench: Bench) -> float:
    return bench.conditions[-1].y_ma


def heater(bench: Bench) -> None:
    if not begin(bench) or not _ohms(bench, True):
        return
    bench.dead(0.05)
    bench.read("limited step, cold dry", "dry", "tied", 8)
    if _last(bench) > PASS_MA and not _bake(bench):
        return
    bench.dead(0.05, "wet")
    bench.read("limited step, cold wet", "wet", "tied", 8)
    if _last(bench) <= GATE_MA and _ways(bench):
        _hot(bench)


def _bake(bench: Bench) -> bool:
    if _last(bench) > GATE_MA:
        return False
    bench.dried = True
    bench.conditions[-1] = _not_counted(bench.conditions[-1])
    return bench.read("bake-out, quarter power", "wet", "ln", 60, counts=False)


def _not_counted(condition: Condition) -> Condition:
    from dataclasses import replace

    return replace(condition, counts=False)


def _ways(bench: Bench) -> bool:
    names = (("line-neutral, cold wet", "ln"), ("neutral-line, cold wet", "nl"))
    on = all(bench.read(name, "wet", way) for name, way in names)
    one, two = (abs(c.resistive_ma) for c in bench.conditions[-2:])
    if on and one + two > 0.1:
        bench.facts["place"] = round(two / (one + two), 3)
    return on and bench.read("both ends hot, cold wet", "wet", "both")


def _hot(bench: Bench) -> None:
    if not bench.read("rated run, hot wet", "hot", "ll", 60):
        return
    watts = 5500.0 * bench.truth.draws
    bench.check("power, rated run", watts, "4950 to 6050", 4950.0 <= watts <= 6050.0)
    if bench.read("both ends hot, hot wet", "hot", "both") and _last(bench) <= FAIL_MA:
        bench.read("both ends hot, after re-soak", "soaked", "both")


def pump(bench: Bench) -> None:
    if not begin(bench):
        return
    _ohms(bench, False)
    sound = bench.dead(1.0)
    for name in ("limited step, low speed", "limited step, high speed"):
        bench.read(name, "dry", "tied", 8)
    if sound and _last(bench) <= GATE_MA and _runs(bench):
        bench.read("both ends hot, warm", "fast", "both", 15)


def _runs(bench: Bench) -> bool:
    for name, state, plate in (("low speed", "slow", 3.5), ("high speed, warm", "fast", 10.0)):
        bench.check(
            f"inrush, {name}", 48.0 if bench.truth.hums else 10.0, "<= 15", not bench.truth.hums
        )
        if bench.truth.hums:
            bench.facts["shaft turns by hand"] = _asked(bench)
            return False
        if not bench.read(name, state, "ll", 60):
            return False
        _load(bench, f"current, {name}", plate)
    return True


def _asked(bench: Bench) -> str:
    if bench.rng.random() < 0.2:
        return "not tried"
    return "yes" if bench.truth.shaft else "no"


def _load(bench: Bench, name: str, plate: float) -> None:
    value = plate * bench.truth.draws * (1.0 + bench.rng.normal(0.0, 0.02))
    low, high = 0.4 * plate, 1.15 * plate
    bench.check(name, value, f"{low:.4g} to {high:.4g}", low <= value <= high)


def blower(bench: Bench) -> None:
    if not begin(bench):
        return
    _ohms(bench, False)
    bench.dead(0.05)
    bench.read("limited step, as received", "dry", "tied", 8)
    if _last(bench) > GATE_MA or not bench.read("first run", "dry", "ln", 60, counts=False):
        return
    if bench.conditions[0].y_ma > PASS_MA:
        bench.conditions[0] = _not_counted(bench.conditions[0])
    bench.check("inrush, first run", 6.0, "<= 7.5", True)
    bench.dried = True
    bench.read("limited step, dry", "dry", "tied", 8)
    if _last(bench) > GATE_MA or not bench.read("rated run, warm", "slow", "ln", 60):
        return
    _load(bench, "current, warm", 5.0)
    bench.dried = False
    if bench.rng.random() < 0.9:
        bench.read("rated run, humid", "humid", "ln", 60)


def plain(bench: Bench) -> None:
    truth = bench.truth
    if not begin(bench):
        return
    if truth.family in ("transformer", "light"):
        good = truth.across_mohm >= 7.0
        bench.check("primary to secondary", truth.across_mohm, ">= 7", good)
        if not good:
            return
    _ohms(bench, False)
    sound = bench.dead(1.0)
    bench.read("limited step", "dry", "tied", 8)
    if sound and _last(bench) <= GATE_MA:
        _plain_full(bench)


def _plain_full(bench: Bench) -> None:
    truth = bench.truth
    if not bench.read("rated run, warm", "hot", "ln", 60):
        return
    if "rated_w" in PLATES[truth.family]:
        _load(bench, "power", PLATES[truth.family]["rated_w"])
    if truth.family == "light":
        bench.check("lamp_on", None, "yes", truth.output)
    if truth.family in ("converter", "transformer"):
        bench.check("output", 12.0 if truth.output else 0.0, ">= 1", truth.output)
    bench.read("the other way round, warm", "hot", "nl", 40)


COURSES: dict[str, Callable[[Bench], None]] = {
    "heater": heater,
    "pump": pump,
    "blower": blower,
}


def attempt(truth: Truth, rng: np.random.Generator) -> Story:
    """The whole attempt on one part."""
    bench = Bench(truth, rng)
    COURSES.get(truth.family, plain)(bench)
    return bench.story()
