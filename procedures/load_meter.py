"""Function checks by the load meter, which may be blind, frozen, out of scale or drifting itself.

What a part draws decides whether it works, and one meter tells it; so no reading of that meter alone
rejects a part:

- *too little* rejects only when the ohm meter, another instrument that proves itself by its own known
  resistor, shows an open circuit as well (``draws_nothing``);
- *an inrush that does not decay* rejects only while the meter's digits move; if they stand still the part
  is switched off and, once the meter shows that, started once more: then it is alive, only coarse;
- at the end, with all off and proved off, the meter must read nothing (``at_rest``): one that has
  drifted or hangs proves nothing, neither a pass nor a reject.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from procedures.dead_tests import POOR, proved_test
from procedures.leakage import Live
from procedures.scan import LOAD_A, NOT_BELIEVED, POWER_W, QUANTITIES, Check
from procedures.steps import Run, Step, give, new_value, switch_off

OPEN, AT_REST = "ohms, drawing nothing", "load meter at rest"
LOAD_WINDOW = 10  # samples at the end of a stage that its load check looks at
REST_FLOORS = 2.0  # of the meter's statement: at rest it reads no more
REST_S = 2.5  # how long its next reading may take
LOADS = (LOAD_A, POWER_W)
LOAD_UNITS = frozenset(QUANTITIES[name] for name in LOADS)


def draws_nothing(run: Run) -> Step[str]:
    """Whether a part that seems to draw too little really does: empty when it does, else why nothing
    is proved by the load meter.

    A dead part and a blind load meter look the same to that meter. What tells them apart is the ohm
    meter, which is another instrument and proves itself by its own known resistor: the circuit of a
    dead lamp, an open winding or a blown fuse reads open. Where it reads a number there is something
    that draws current, and then it is the load meter that has to be proved.
    """
    reading = yield from proved_test(run, OPEN, "ohms", lambda found: not found.over)
    if reading.over:
        run.checks.append(Check(OPEN, None, "ohm", "open", True, reading.words))
        return ""
    words = "too little current is read although the winding is intact: prove the meter"
    if reading.value is None:
        words = "too little current is read, and nothing else shows that it is open"
    run.checks.append(Check(OPEN, reading.value, "ohm", "recorded", None, reading.words))
    return f"{NOT_BELIEVED}: {words}"


def mean_of(live: Live, field: str) -> float | None:
    """Mean of a column over the end of a stage; None when it was never read."""
    tail = [getattr(s, field) for s in live.quiet()[-LOAD_WINDOW:]]
    values = [value for value in tail if value is not None]
    return float(np.mean(values)) if values else None


def load_check(
    run: Run, name: str, value: float | None, expected: float, unit: str, band: tuple[str, str]
) -> Step[bool]:
    """A function check: ``value`` within the named limits' percentages of ``expected``.

    Too little rejects only where another instrument shows it too: see ``draws_nothing``.
    """
    low, high = (expected * (1 + run.limit(limit) / 100) for limit in band)
    words = "not read" if value is None else ""
    if value is not None and value < low:
        words = yield from draws_nothing(run)
    met = None if words or value is None else low <= value <= high
    run.checks.append(Check(name, value, unit, f"{low:.4g} to {high:.4g}", met, words))
    return met is not False


def load_note(run: Run, live: Live, name: str, rated: float, field: str, unit: str) -> Step[bool]:
    """The load a part draws, against its plate (a plate is a maximum: the band is wide)."""
    value = mean_of(live, field)
    band = ("load_low_percent", "load_high_percent")
    return (yield from load_check(run, name, value, rated, unit, band))


def inrush_check(run: Run, live: Live) -> Step[None]:
    """What a motor drew when its inrush had to be over, put into the record."""
    if live.unread:
        words = yield from draws_nothing(run)
        met = None if words else False
    elif live.inrush_a is None:
        return  # it never came so far
    elif live.still:
        met, words = None, f"{NOT_BELIEVED}: it shows the same digits all the time, off as well"
    else:
        words = "the inrush did not decay; stopped" if live.stalled else ""
        met = not live.stalled
    allowed = f"<= {live.stage.inrush_above_a:.4g} A within {run.limit('inrush_s'):g} s"
    run.checks.append(Check(f"inrush, {live.stage.name}", live.inrush_a, "A", allowed, met, words))


def shows_nothing(run: Run, stage: str) -> Step[bool]:
    """Off, proved off; whether the load meter then reads next to nothing."""
    yield from switch_off(run, stage)
    value = yield from _at_rest(run, LOAD_A)
    accuracy = run.setup.accuracy.get(LOAD_A, POOR)
    return value is not None and abs(value) <= REST_FLOORS * accuracy.half_width(0.0)


def at_rest(run: Run) -> Step[None]:
    """With all off the load meter reads nothing; where it doesn't, its checks prove nothing."""
    judged = [c for c in run.checks if c.unit in LOAD_UNITS and c.met is not None]
    fitted = [name for name in LOADS if name in run.setup.quantities & run.setup.accuracy.keys()]
    words = ""
    for name in fitted if judged else ():
        value = yield from _at_rest(run, name)
        allowed = REST_FLOORS * run.setup.accuracy[name].half_width(0.0)
        good = value is not None and abs(value) <= allowed
        found = "nothing" if value is None else f"{value:.3g} {QUANTITIES[name]}"
        told = "" if good else f"{NOT_BELIEVED}: it reads {found} with everything off"
        unit, met = QUANTITIES[name], True if good else None
        run.checks.append(Check(f"{AT_REST}, {name}", value, unit, f"<= {allowed:.3g}", met, told))
        words = words or told
    if words:
        run.checks[:] = [
            replace(c, met=None, words=words) if c in judged else c for c in run.checks
        ]


def _at_rest(run: Run, name: str) -> Step[float | None]:
    """The first reading that was taken from now on."""
    from_s, value = run.scan.t_s, None
    while value is None and run.scan.t_s < from_s + REST_S:
        scan = yield from give(run, run.demand(AT_REST))
        value = new_value(scan, name, from_s)
    return value
