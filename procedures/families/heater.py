"""Sheathed element in a tube: dry, bake-out where damp, cold wet, hot wet, after re-soak.

Leg to leg hides a leak in the middle, so both ends are tied to one hot as well: no heating current,
no dry-fire, and the real service of a heater behind a single-pole relay.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from procedures.circuit import element_ohm, element_watt
from procedures.conditions import trend
from procedures.dead_tests import METER_PROOF, insulation, judge_insulation, ohms
from procedures.element import Names, note_leg_to_leg, note_place
from procedures.family import Family
from procedures.insulation import absorption
from procedures.leakage import Live, Stage
from procedures.limits import Limit
from procedures.load_meter import load_check, mean_of
from procedures.outcome import conclude
from procedures.scan import (
    CONDUCTIVITY_MS_CM,
    Aid,
    Check,
    Declaration,
    Feed,
    Part,
    Procedure,
    Setup,
    Source,
)
from procedures.sequence import (
    begin,
    finish,
    limited_step,
    may_energise,
    measure,
)
from procedures.series import drying
from procedures.soak import steady
from procedures.steps import Run, Step, wait, wait_input

CAUTIONS = (
    "Never at heating voltage without level and flow inputs and a hardware thermal cut-out.",
    "Water and element are hot after the run; the relief valve must be free.",
)
FEEDS: frozenset[Feed] = frozenset(
    {"limited", "line_neutral", "neutral_line", "both_hot", "line_line"}
)
SOURCES: frozenset[Source] = frozenset({"bond", "ohms", "insulation"})
AIDS: frozenset[Aid] = frozenset({"water", "flow"})
WATER: frozenset[Aid] = frozenset({"water", "flow"})
FILL_S, FLOW_S = 60.0, 15.0
COLD_S, SHORT_RUN_S, RESOAK_S, COOL_S = 20.0, 60.0, 240.0, 60.0
BAKE_MIN_S, BAKE_MAX_S = 180.0, 900.0
LIMITED_DRY, BAKE = "limited step, cold dry", "bake-out, quarter power"
LIMITED_WET, BOTH_COLD = "limited step, cold wet", "both ends hot, cold wet"
LN_COLD, NL_COLD = "line-neutral, cold wet", "neutral-line, cold wet"
WAYS = Names(LN_COLD, f"{LN_COLD}, again", NL_COLD, BOTH_COLD)
SHORT = "rated run, short"
RATED, BOTH_HOT = "rated run, hot wet", "both ends hot, hot wet"
BOTH_SOAKED, BAND = "both ends hot, after re-soak", "water conductivity"
POWER = "power, rated run"
REQUIRED = (LIMITED_WET, LN_COLD, NL_COLD, BOTH_COLD, RATED, BOTH_HOT, BOTH_SOAKED, BAND, POWER)


def declare(part: Part, setup: Setup) -> Declaration:
    """Everything a heater's procedure may use."""
    return Declaration(
        "heater",
        feeds=FEEDS & setup.feeds,
        sources=SOURCES & setup.sources,
        aids=AIDS & setup.aids,
        proof=METER_PROOF & setup.proof,
        needs_water=True,
        cautions=CAUTIONS,
    )


def prove(part: Part, setup: Setup, limits: Mapping[str, Limit]) -> Procedure:
    """The whole attempt. Raises BadPlate where the plate gives no resistance."""
    run = Run(part, setup, limits)
    expected_ohm = element_ohm(part.rated_w or 0.0, part.rated_v)
    yield from _measure_all(run, expected_ohm)
    judge_insulation(run, "insulation, wet")
    yield from finish(run)
    return conclude(run, REQUIRED, CAUTIONS)


def _measure_all(run: Run, expected_ohm: float) -> Step[None]:
    """Step after step, until one of them forbids the next."""
    if not (yield from begin(run)) or not (yield from ohms(run, expected_ohm)):
        return
    dry = yield from _cold_dry(run)
    if not dry and not (yield from _bake_out(run)):
        return
    if not (yield from _cold_wet(run)):
        return
    yield from _feeds_cold(run)
    if run.rejected() or not may_energise(run):
        return
    yield from _hot(run)
    yield from _resoak(run)


def _cold_dry(run: Run) -> Step[bool]:
    """Dry insulation and limited step; false when the filler looks damp and may be baked out."""
    stop_mohm = run.limit("insulation_stop_mohm")
    good = yield from insulation(run, "insulation, dry", "insulation", stop_mohm)
    yield from absorption(run, "insulation, dry", "insulation")
    found = yield from limited_step(run, LIMITED_DRY, drying=True)
    return good and found is not None and found.y_ma <= run.limit("pass_ma")


def _bake_out(run: Run) -> Step[bool]:
    """Dry the filler at quarter power in water, with trend; true when it may go on.

    What was measured before it is recorded but not decided on: the bake-out is a recorded change.
    """
    if not may_energise(run) or not (yield from _fill(run)):
        return False
    gate_ma = run.limit("gate_ma")
    stage = Stage(BAKE, "line_neutral", BAKE_MIN_S, BAKE_MAX_S, counts=False, cutoff_ma=gate_ma)
    stage = replace(stage, dry_ma=run.limit("pass_ma") / 2.0)  # one way round of two
    live = yield from measure(run, stage, _baked)
    if not live.on:
        return False
    _not_counted(run, LIMITED_DRY)
    run.change = f"baked out {live.end_s - live.on_s:.0f} s at quarter power"
    run.facts["change"] = run.change
    yield from wait(run, "cooling", COOL_S)
    return True


def _not_counted(run: Run, name: str) -> None:
    words = "before the bake-out"
    run.conditions[:] = [
        replace(c, counts=False, note=words) if c.name == name else c for c in run.conditions
    ]


def _baked(live: Live) -> bool:
    """Asymptote reached and both ways together below the limit; or it does not dry (any more)."""
    t_s, y_ma = trend(live)
    fit = drying(t_s, y_ma)
    if not fit.falling:
        return steady(live)
    low = 2.0 * float(y_ma[-3:].mean()) < live.run.limit("pass_ma")
    return low and float(t_s[-1]) >= fit.end_s


def _fill(run: Run) -> Step[bool]:
    """Water and flow on; false when level or flow don't come: never heat dry."""
    run.aids = WATER & run.setup.aids
    filled = yield from wait_input(run, "filling", "level_ok", FILL_S)
    return filled and (yield from wait_input(run, "flow", "flow_ok", FLOW_S))


def _cold_wet(run: Run) -> Step[bool]:
    """Fill, water's conductivity, wet insulation, wet limited step."""
    if not (yield from _fill(run)):
        return False
    yield from wait(run, "soaking cold", 5.0)
    _conductivity(run)
    stop_mohm = run.limit("insulation_stop_mohm")
    good = yield from insulation(run, "insulation, wet", "insulation", stop_mohm)
    yield from limited_step(run, LIMITED_WET)
    return good and may_energise(run)


def _conductivity(run: Run) -> None:
    """Tap water can under-read a pinhole several-fold: out of the band nothing wet is proved (P)."""
    low, high = run.limit("conductivity_low_ms_cm"), run.limit("conductivity_high_ms_cm")
    by_hand = run.setup.hand.get(CONDUCTIVITY_MS_CM)
    value = run.scan.values.get(CONDUCTIVITY_MS_CM, by_hand)
    good = value is not None and low <= value <= high
    words = "" if good else "wetness is not proved"
    met = True if good else None
    run.checks.append(Check(BAND, value, "mS/cm", f"{low:g} to {high:g}", met, words))


def _feeds_cold(run: Run) -> Step[None]:
    """Line-neutral, neutral-line, line-neutral again (so that the place is at one temperature)."""
    first = yield from measure(run, Stage(LN_COLD, "line_neutral", COLD_S))
    if first.on:
        yield from measure(run, Stage(NL_COLD, "neutral_line", COLD_S))
        yield from measure(run, Stage(WAYS.again, "line_neutral", COLD_S))
    yield from measure(run, Stage(BOTH_COLD, "both_hot", COLD_S))
    note_place(run, WAYS)


def _hot(run: Run) -> Step[None]:
    """Rated run with trend, power and water temperature; then both ends hot at once.

    A part that has failed already by more than U gets a short run, for the record.
    """
    if run.failed():
        live = yield from measure(run, Stage(SHORT, "line_line", SHORT_RUN_S))
        _hidden(run)
    else:
        stage = Stage(RATED, "line_line", run.limit("soak_min_s"), run.limit("soak_max_s"))
        live = yield from measure(run, stage, steady)
    if not live.on:
        return
    note_leg_to_leg(run, WAYS, run.condition(live.stage.name))
    yield from _power(run, live)
    name = f"both ends hot, {'warm' if run.failed() else 'hot'} wet"
    yield from measure(run, Stage(name, "both_hot", COLD_S))


def _hidden(run: Run) -> None:
    """Say it when the rated run alone would have passed a part that fails: leg to leg hides."""
    found = run.condition(SHORT)
    if found is not None and found.y_ma + found.u_ma <= run.limit("pass_ma"):
        words = f"leg to leg alone reads {found.y_ma:.2f} mA and would have passed it"
        run.facts["hidden"] = words


def _power(run: Run, live: Live) -> Step[None]:
    """Watts against the plate at the measured volts; the water stays below its limit (P)."""
    watts, legs_v = mean_of(live, "power_w"), mean_of(live, "supply_v")
    if legs_v is None:
        return
    expected_w = element_watt(run.part.rated_w or 0.0, run.part.rated_v, 2.0 * legs_v)
    band = ("power_low_percent", "power_high_percent")
    water_c, most_c = mean_of(live, "temperature_c"), run.limit("water_max_c")
    met = None if water_c is None else water_c <= most_c
    run.checks.append(Check("water temperature", water_c, "°C", f"<= {most_c:g}", met))
    yield from load_check(run, POWER, watts, expected_w, "W", band)


def _resoak(run: Run) -> Step[None]:
    """Off, in the water, then both ends hot again: damp comes back, a sound part doesn't."""
    if run.failed():
        return
    yield from wait(run, "re-soak", RESOAK_S)
    yield from measure(run, Stage(BOTH_SOAKED, "both_hot", COLD_S))


FAMILY = Family(
    name="heater",
    title="Heater (sheathed element in a tube)",
    does=(
        "look, ground bond, element ohms, insulation dry",
        "limited step dry; where damp: bake-out at quarter power in water, with trend",
        "in water: insulation, limited step, both ways round, both ends hot",
        "rated run with power and trend, both ends hot, re-soak, both ends hot again",
    ),
    required=REQUIRED,
    cautions=CAUTIONS,
    plate=("rated_v", "rated_w"),
    declaration=declare,
    procedure=prove,
    needs=(
        *(f"feed {feed}" for feed in sorted(FEEDS)),
        "aid water",
        "aid flow",
        "input level_ok",
        "input flow_ok",
        "input thermal_ok",
        "resistance_ohm",
        "power_w",
        "temperature_c",
        "conductivity_ms_cm",
    ),
)
