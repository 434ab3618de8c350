"""Ozone generators, converters, transformers, lights: one procedure, one table row per family."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial

from procedures.cause_signs import angle_deg
from procedures.dead_tests import METER_PROOF, insulation, judge_insulation, ohms, proved_test
from procedures.family import Family, rated_feed
from procedures.leakage import Live, Stage
from procedures.limited import across_ma
from procedures.limits import Limit
from procedures.load_meter import load_note
from procedures.outcome import conclude
from procedures.scan import Ask, Check, Declaration, Feed, Part, Procedure, Setup, Source
from procedures.sequence import (
    begin,
    finish,
    limited_step,
    may_energise,
    measure,
)
from procedures.soak import steady
from procedures.steps import Reading, Run, Step, ask

LIMITED, WARM, OTHER = "limited step", "rated run, warm", "the other way round, warm"
REQUIRED = (LIMITED, WARM, OTHER)
WAY_S, DIAGNOSIS_S = 40.0, 10.0
ACROSS = "primary to secondary"


@dataclass(frozen=True, slots=True)
class Kind:
    """What differs between these families."""

    name: str
    title: str
    cautions: tuple[str, ...]
    does: tuple[str, ...]
    insulation: Source = "insulation"
    secondary: bool = False  # primary to secondary apart, before anything is energised
    power: bool = False  # watts against the plate
    needs_dc: bool = False  # a rectifier: no pass without a DC reading
    both_ends: bool = True  # false: both ends hot is a diagnosis only
    question: Ask | None = None
    output: bool = False  # someone reads the output's volts
    plate: tuple[str, ...] = ("rated_v", "rated_w")
    needs: tuple[str, ...] = ()


def _other(part: Part, setup: Setup) -> Feed:
    return "both_hot" if rated_feed(part, setup) == "line_line" else "neutral_line"


def _feeds(kind: Kind, part: Part, setup: Setup) -> frozenset[Feed]:
    wanted: set[Feed] = {"limited", rated_feed(part, setup), _other(part, setup)}
    if not kind.both_ends:
        wanted.add("both_hot")
    return frozenset(wanted) & setup.feeds


def declare(kind: Kind, part: Part, setup: Setup) -> Declaration:
    """Everything the procedure may use."""
    sources: set[Source] = {"bond", "ohms", kind.insulation}
    if kind.secondary:
        sources.add("insulation_secondary")
    return Declaration(
        kind.name,
        feeds=_feeds(kind, part, setup),
        sources=frozenset(sources) & setup.sources,
        proof=METER_PROOF & setup.proof,
        cautions=kind.cautions,
    )


def prove(kind: Kind, part: Part, setup: Setup, limits: Mapping[str, Limit]) -> Procedure:
    """The whole attempt."""
    run = Run(part, setup, limits)
    yield from _measure_all(kind, run)
    judge_insulation(run, "insulation")
    yield from finish(run)
    return conclude(run, required_of(kind), kind.cautions)


def required_of(kind: Kind) -> tuple[str, ...]:
    """The conditions and checks that a pass needs."""
    checks = {"DC part read": kind.needs_dc, "power": kind.power, "output": kind.output}
    return (*REQUIRED, *(name for name, needed in checks.items() if needed))


def _measure_all(kind: Kind, run: Run) -> Step[None]:
    if not (yield from begin(run)):
        return
    if kind.secondary and not (yield from _secondary(run)):
        return
    yield from ohms(run, None)
    stop_mohm = run.limit("insulation_stop_mohm")
    good = yield from insulation(run, "insulation", kind.insulation, stop_mohm)
    yield from limited_step(run, LIMITED)
    if not good or not may_energise(run):
        return
    yield from _full(kind, run)


def _secondary(run: Run) -> Step[bool]:
    """A GFCI can't see past an isolated winding: its insulation is measured apart (P)."""
    least = run.limit("secondary_mohm")

    def enough(found: Reading) -> bool:
        return found.over or (found.value is not None and found.value >= least)

    # no leakage reading can show a breakdown to the secondary: what would pass is read twice too
    reading = yield from proved_test(run, ACROSS, "insulation_secondary", enough, twice=True)
    good = enough(reading)
    met = None if reading.value is None and not reading.over else good
    _hidden_across(run, reading.value if met is False else None)
    allowed = f">= {least:g}"
    run.checks.append(Check(ACROSS, reading.value, "Mohm", allowed, met, reading.words))
    return good


def _hidden_across(run: Run, mohm: float | None) -> None:
    """Say it when leakage to earth alone would not have shown what is bad across the windings."""
    if mohm:
        ma = across_ma(mohm, run.setup.nominal_v)
        if ma <= run.limit("pass_ma"):
            words = f"{mohm:.3g} Mohm across the windings drives {ma:.2f} mA: leakage would pass it"
            run.facts["hidden"] = words


def _full(kind: Kind, run: Run) -> Step[None]:
    """Rated run with its function, then the other way round."""
    if not kind.both_ends:
        _demote_limited(run)
    stage = Stage(
        WARM,
        rated_feed(run.part, run.setup),
        run.limit("soak_min_s"),
        run.limit("soak_max_s"),
        question=kind.question,
    )
    live = yield from measure(run, stage, steady)
    if not live.on:
        return
    yield from _function(kind, run, live)
    other = yield from measure(run, Stage(OTHER, _other(run.part, run.setup), WAY_S))
    if other.on and not kind.both_ends:
        name = "both ends hot, diagnosis"
        yield from measure(run, Stage(name, "both_hot", DIAGNOSIS_S, counts=False))
        _note_angle(run)


def _demote_limited(run: Run) -> None:
    """Both ends tied is no real service of this family: it opened the feeds and decides no more.

    The step stays in the record with its figures; a reject by it has been decided before.
    """
    tied = run.condition(LIMITED)
    if tied is not None:
        words = "both ends tied: a diagnosis only"
        run.conditions[:] = [
            replace(c, counts=False, note=words) if c is tied else c for c in run.conditions
        ]
        run.checks.append(Check(LIMITED, tied.y_ma, "mA", "<= gate", True, words))


def _note_angle(run: Run) -> None:
    """The angle of the leakage, for the record: filter capacitors are near 90° both ways round."""
    ways = [c for name in (WARM, OTHER) if (c := run.condition(name)) is not None]
    if len(ways) == 2 and not run.failed():
        run.facts["angle_deg"] = round(min(angle_deg(way) for way in ways), 1)


def _function(kind: Kind, run: Run, live: Live) -> Step[None]:
    if kind.power and run.part.rated_w is not None:
        yield from load_note(run, live, "power", run.part.rated_w, "power_w", "W")
    if kind.needs_dc:
        found = run.condition(WARM)
        dc_ma = None if found is None else found.dc_ma
        run.checks.append(
            Check("DC part read", dc_ma, "mA", "read", True if dc_ma is not None else None)
        )
    if kind.output:
        volts = yield from ask(run, OUTPUT, live.want)
        value = volts if isinstance(volts, float) else None
        met = value is not None and value >= LIVE_OUTPUT_V
        run.checks.append(Check("output", value, "V", f">= {LIVE_OUTPUT_V:g}", met))


LIVE_OUTPUT_V = 1.0
OUTPUT = Ask(
    "output_v", "Volts at the output, by a hand meter?", "number", unit="V", deadline_s=120.0
)
LAMP = Ask("lamp_on", "Is the lamp on?", "choice", ("yes", "no"), deadline_s=60.0)


_STEPS = ("look, ground bond, ohms and insulation (250 V for electronics)", "limited step")
_WAYS = "rated run warm with trend and function, the other way round"
_NEEDS = ("feed limited", "feed line_neutral", "feed neutral_line")

KINDS: tuple[Kind, ...] = (
    Kind(
        "ozone_corona",
        "Ozone generator, corona",
        ("Ozone: hood, no smell before opening; stop at 0.1 ppm.", "Kilovolts inside the cell."),
        (*_STEPS, _WAYS, "watts against the plate: quiet can mean dead"),
        insulation="insulation_low",
        power=True,
        needs=(*_NEEDS, "power_w"),
    ),
    Kind(
        "ozone_uv",
        "Ozone generator, UV",
        ("Ultraviolet: opaque cover, never look at the lamp.", "Ozone: hood."),
        (*_STEPS, _WAYS, "watts against the plate: a dead lamp draws nothing"),
        insulation="insulation_low",
        power=True,
        needs=(*_NEEDS, "power_w"),
    ),
    Kind(
        "converter",
        "Audio AC-DC converter",
        ("Capacitors hold charge; wait for the discharge to be proved.",),
        (*_STEPS, _WAYS, "DC part of the leakage, output volts, both ends hot as a diagnosis only"),
        insulation="insulation_low",
        needs_dc=True,
        both_ends=False,
        output=True,
        plate=("rated_v",),
        needs=(*_NEEDS, "leakage_dc_ma"),
    ),
    Kind(
        "transformer",
        "Light transformer",
        ("The secondary is tied to earth for the test; take the tie off afterwards.",),
        ("primary to secondary insulation", *_STEPS, _WAYS, "output volts"),
        secondary=True,
        output=True,
        plate=("rated_v",),
        needs=(*_NEEDS, "source insulation_secondary"),
    ),
    Kind(
        "light",
        "Light",
        ("Plastic lights need an earthed electrode in the water or foil.",),
        (*_STEPS, _WAYS, "watts against the plate, lamp on"),
        power=True,
        question=LAMP,
        needs=(*_NEEDS, "power_w"),
    ),
)


def _family(kind: Kind) -> Family:
    return Family(
        name=kind.name,
        title=kind.title,
        does=kind.does,
        required=required_of(kind),
        cautions=kind.cautions,
        plate=kind.plate,
        declaration=partial(declare, kind),
        procedure=partial(prove, kind),
        needs=kind.needs,
    )


FAMILIES: tuple[Family, ...] = tuple(_family(kind) for kind in KINDS)
