"""The vocabulary between the rig and a procedure: Scan in, Demand out, Outcome at the end.

A procedure is a generator: it yields a ``Demand`` (what it wants the bench to do) and receives the
next ``Scan`` (what the bench read and did). The guard walks the bench towards the demand step by
step, so a demand is a target, not a command: look at ``scan.feed`` and ``scan.source`` to see what
is really on. Names carry their units.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:  # numpy would cost every command its import, whether it measures or not
    from procedures.arrays import FloatArray, Num
    from procedures.budget import Budget
    from procedures.wave_context import WaveContext

# ---- quantities (keys of Scan.values) -------------------------------------------------------------
LEAKAGE_MA = "leakage_ma"  # r.m.s. in the ground conductor
LEAKAGE_DC_MA = "leakage_dc_ma"
LEAKAGE_RESISTIVE_MA = "leakage_resistive_ma"  # in phase with leg 1 to neutral, signed
LEAKAGE_CAPACITIVE_MA = "leakage_capacitive_ma"  # leading it by 90 degrees, signed
SECOND_LEAKAGE_MA = "second_leakage_ma"  # independent residual sensor
SECOND_LEAKAGE_RESISTIVE_MA = "second_leakage_resistive_ma"
SECOND_LEAKAGE_CAPACITIVE_MA = "second_leakage_capacitive_ma"
SUPPLY_V = "supply_v"  # leg 1 to neutral
SUPPLY_2_V = "supply_2_v"  # leg 2 to neutral, split-phase only
FREQUENCY_HZ = "frequency_hz"
BAY_V = (
    "bay_v"  # r.m.s. behind the contactors, between the terminal pair or to earth, whichever more
)
BAY_DC_V = "bay_dc_v"  # same place, DC: stored charge
LOAD_A = "load_a"
POWER_W = "power_w"
TEMPERATURE_C = "temperature_c"
CONDUCTIVITY_MS_CM = "conductivity_ms_cm"  # at 25 degrees
RESISTANCE_OHM = "resistance_ohm"
INSULATION_MOHM = "insulation_mohm"
BOND_OHM = "bond_ohm"
INJECTION_MA = "injection_ma"  # current of the bench's own test injectors

QUANTITIES: Mapping[str, str] = {  # quantity: the unit its name promises
    LEAKAGE_MA: "mA",
    LEAKAGE_DC_MA: "mA",
    LEAKAGE_RESISTIVE_MA: "mA",
    LEAKAGE_CAPACITIVE_MA: "mA",
    SECOND_LEAKAGE_MA: "mA",
    SECOND_LEAKAGE_RESISTIVE_MA: "mA",
    SECOND_LEAKAGE_CAPACITIVE_MA: "mA",
    SUPPLY_V: "V",
    SUPPLY_2_V: "V",
    FREQUENCY_HZ: "Hz",
    BAY_V: "V",
    BAY_DC_V: "V",
    LOAD_A: "A",
    POWER_W: "W",
    TEMPERATURE_C: "°C",
    CONDUCTIVITY_MS_CM: "mS/cm",
    RESISTANCE_OHM: "ohm",
    INSULATION_MOHM: "Mohm",
    BOND_OHM: "ohm",
    INJECTION_MA: "mA",
}

# ---- what a bench may have besides contactors and bays ---------------------------------------------
Feed = Literal["limited", "line_neutral", "neutral_line", "both_hot", "line_line"]
FEEDS: tuple[Feed, ...] = ("limited", "line_neutral", "neutral_line", "both_hot", "line_line")
# test sources, only with the contactors proved open (output ``source_<name>``)
Source = Literal["bond", "ohms", "insulation", "insulation_low", "insulation_secondary"]
SOURCES: tuple[Source, ...] = (
    "bond",  # 10 A, 12 V or less, chassis to the earth bar through the leakage sensor
    "ohms",  # terminal to terminal
    "insulation",  # 500 V DC, live terminals tied, to chassis or electrode
    "insulation_low",  # 250 V DC, for electronics
    "insulation_secondary",  # 500 V DC, primary tied, to secondary tied
)
EXTRA_LOW_V = 24.0  # commissioning: instead of the mains, below every limit for touching
# aids (output ``aid_<name>``): switched in any state, but speed only with the contactors open
Aid = Literal["water", "flow", "humid", "high_speed"]
AIDS: tuple[Aid, ...] = ("water", "flow", "humid", "high_speed")
# the bench proof's own outputs (output names); no part's procedure may declare them
PROOF_OUTPUTS: tuple[str, ...] = (
    "reference_resistive",  # 160 kohm, leg 1 to earth through the sensor
    "reference_capacitive",  # 16.6 nF
    "trip_leg_1",  # 6.3-6.6 mA, leg 1 to the source earth bar, hardware-timed
    "trip_leg_2",
    "hold_leg_1",  # 3.6 mA
    "hold_leg_2",
    "neutral_upstream",  # extra-low-voltage injector between neutral and earth, upstream of the GFCI
    "neutral_downstream",
    "known_load",  # known good rated load at the bay clips
)
GFCI_INJECTOR = (
    "gfci_injector"  # ramp around a tested GFCI, load side to line side; GFCI family only
)
# a changeover relay: while it is on, the test meters see the bench's own resistors, not the part
KNOWN_RESISTORS = "known_resistors"


@dataclass(frozen=True, slots=True)
class Ask:
    """A prompt to a person. ``key`` names the answer in ``Scan.answers``.

    ``kind`` confirm: answer "yes". choice: one of ``choices``. number: a finite float in ``unit``.
    A prompt while energised has a deadline after which the outputs go off.
    """

    key: str
    words: str
    kind: Literal["confirm", "choice", "number"] = "confirm"
    choices: tuple[str, ...] = ()
    unit: str = ""
    deadline_s: float = 600.0


@dataclass(frozen=True, slots=True)
class Findings:
    """What the procedure has established about this part; the guard checks it before energising."""

    grounded: bool = False  # bond, or electrode, or foil proved by measurement
    prospective_ma: Mapping[str, float] = field(default_factory=dict)  # by feed, upper bound y + U
    control_seen: bool = False  # the positive control showed in every leakage reading


@dataclass(frozen=True, slots=True)
class Demand:
    """What the procedure wants now. Everything not demanded is off.

    ``feed`` chooses the feed relay, ``energise`` the contactors. ``source`` a test source instead.
    ``proof`` are outputs of the bench proof or the GFCI injector. ``limit_ma`` and ``progress``
    (0 to 1) are for the screen, and so are the words of ``outlook`` (how long still, wait or stop).
    ``stage_s`` is the longest that this ``stage`` may take.
    ``cutoff_ma`` may only lower the guard's own cut-off. ``withhold_heartbeat``: bench proof only.
    ``capture`` asks once, when it becomes true, for the meter's waveforms, where it tells any.
    Commissioning only: ``bus_v`` is what a person has connected instead of the mains (0, 24 or
    nominal), ``route`` the very relays to close, in place of this run's bay and the feed's.
    """

    stage: str
    feed: Feed | None = None
    energise: bool = False
    source: Source | None = None
    control: bool = False
    aids: frozenset[Aid] = frozenset()
    proof: frozenset[str] = frozenset()
    ask: Ask | None = None
    findings: Findings = Findings()
    limit_ma: float | None = None
    progress: float | None = None
    outlook: str = ""
    stage_s: float = 120.0
    cutoff_ma: float | None = None
    withhold_heartbeat: bool = False
    contactors: frozenset[int] = frozenset({1, 2})  # bench proof closes one alone
    bus_v: float | None = None
    route: frozenset[str] | None = None
    capture: bool = False


@dataclass(frozen=True, slots=True)
class Event:
    """The guard switched off for a reason that is a *result* of the part, not a fault of the bench.

    ``cut_off``: leakage above the software cut-off, ``value`` in mA. ``gfci_trip``: the GFCI opened,
    ``value`` the last leakage in mA. ``after_s`` counts from the moment the feed came on.
    ``watchdog``: outputs fell because the bench proof withheld the heartbeat.
    """

    kind: Literal["cut_off", "gfci_trip", "watchdog"]
    value: float
    after_s: float
    at_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Waveforms:
    """Waveforms that were taken together: samples by quantity, in its unit. ``over``: quantities that
    ran over their range; what is cut off has no spectrum, so their samples are missing."""

    samples: Mapping[str, FloatArray]
    rate_hz: float
    taken_s: float
    over: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Scan:
    """One cycle's inputs. ``values`` holds only fresh, good readings, in the quantity's unit: a
    missing key means stale, invalid or not fitted, and never zero. ``taken_s`` dates them, so that a
    new sample is told from an old one. ``inputs`` likewise.

    ``over`` names quantities whose meter says, freshly, that they are above its range: an open bond or a
    sound insulation is told so, and told apart from a meter that says nothing.

    ``feed`` is the feed that is energised and proved so by bay voltage, ``source`` the test source
    that is on, ``off`` true when all is off and proved off. ``waiting`` says in words why the demand
    is not granted yet. ``event`` is set once, in the scan after the guard switched off.
    """

    t_s: float
    values: Mapping[str, float]
    taken_s: Mapping[str, float]
    inputs: Mapping[str, bool]
    state: str = ""
    feed: Feed | None = None
    source: Source | None = None
    off: bool = False
    waiting: str = ""
    event: Event | None = None
    answers: Mapping[str, str | float] = field(default_factory=dict)
    over: frozenset[str] = frozenset()
    waves: Waveforms | None = None  # fresh ones only


@dataclass(frozen=True, slots=True)
class Declaration:
    """Everything a procedure may use, as data. The guard refuses whatever is not declared."""

    family: str
    feeds: frozenset[Feed] = frozenset()
    sources: frozenset[Source] = frozenset()
    aids: frozenset[Aid] = frozenset()
    proof: frozenset[str] = frozenset()
    control: bool = True
    needs_water: bool = False  # level, flow and hardware cut-out inputs before any full feed
    bench_proof: bool = False  # the bench proof itself: no valid proof, no findings needed
    commissioning: bool = False  # besides bench_proof: before the bench has been commissioned
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A meter's accuracy statement: ``percent`` of reading, ``range_percent`` of ``full`` scale,
    ``digits`` of the last place (``resolution``), and ``floor`` in its unit, added up.

    None: not stated; ``uncertainty.py`` says what is assumed then. ``calibration_percent`` is the
    calibration's expanded uncertainty (k = 2), in percent of reading.
    """

    percent: float
    floor: float
    range_percent: float = 0.0
    full: float = 0.0
    digits: float = 0.0
    resolution: float | None = None
    temperature_percent_per_k: float | None = None
    calibration_percent: float | None = None

    def half_width(self, value: Num) -> Num:
        """The bound at ``value``, same unit."""
        fixed = self.floor + self.full * self.range_percent / 100.0
        fixed += self.digits * (self.resolution or 0.0)
        return abs(value) * self.percent / 100.0 + fixed


@dataclass(frozen=True, slots=True)
class Part:
    """A part as registered at intake: what its plate says, never what is wrong with it."""

    number: str
    family: str
    model: str = ""
    serial: str = ""
    protective_class: Literal["I", "II"] = "I"
    rated_v: float = 120.0
    rated_w: float | None = None
    rated_a: float | None = None
    low_a: float | None = None  # two-speed pumps: rated current at low speed
    speeds: int = 1
    rated_trip_ma: float | None = None  # GFCI
    lead_ohm: float = 0.0  # added to the bond limit
    lead_m: float | None = None  # else its copper lead's length and section, for the same
    lead_mm2: float | None = None
    complaint: str = ""
    change: str = ""  # what was done since the last attempt (dried, cleaned, valve replaced)
    attempt: int = 1
    source: str = ""  # supplier or owner, for warranty
    warranty: bool = False


@dataclass(frozen=True, slots=True)
class Setup:
    """What a procedure may know of the bench. Fixture vectors are (resistive, capacitive) mA by feed,
    from the bench proof, at nominal voltage. ``hand`` values were entered from hand instruments."""

    nominal_v: float
    frequency_hz: float
    split_phase: bool
    feeds: frozenset[Feed]
    sources: frozenset[Source]
    aids: frozenset[Aid]
    quantities: frozenset[str]
    inputs: frozenset[str]
    accuracy: Mapping[str, Accuracy]
    fixture_ma: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    series_ohm: float = 47_000.0
    series_percent: float = 1.0
    control_ma: float = 0.25  # at nominal voltage
    protection: Literal["gfci", "rcd"] = "gfci"
    rated_residual_ma: float = 6.0
    hand: Mapping[str, float] = field(default_factory=dict)
    proof: frozenset[str] = frozenset({*PROOF_OUTPUTS, GFCI_INJECTOR})  # those that are fitted
    known: Mapping[str, float] = field(default_factory=dict)  # known resistors, by test quantity
    waves: frozenset[str] = frozenset()  # quantities whose waveform the meter tells
    polarisation: bool = False  # asked for: insulation held for ten minutes


Basis = Literal["measured", "prospective", "above"]


@dataclass(frozen=True, slots=True)
class Condition:
    """One required or informative condition with its result, normalised and fixture removed.

    ``y_ma`` magnitude, ``u_ma`` expanded (k = 2). ``counts`` false: recorded, not decided on (before
    a bake-out, for example). ``above`` basis: y is the cut-off, reached after ``after_s``.
    """

    name: str
    feed: str
    basis: Basis
    y_ma: float
    u_ma: float
    resistive_ma: float
    capacitive_ma: float
    dc_ma: float | None
    second_ma: float | None
    supply_v: float
    samples: int
    start_s: float
    end_s: float
    temperature_c: float | None = None
    rise_ma: float = 0.0
    control_seen: bool = False
    counts: bool = True
    after_s: float | None = None
    note: str = ""
    budget: Budget | None = None  # where ``u_ma`` comes from; None where nothing can be said
    trend: str = "don't know"  # the course of its leakage: one of ``trend.KINDS``
    wave: WaveContext | None = None  # context, never deciding
    wave_words: str = ""  # what has to be said of it, or why there is none


# the words of a check begin with this where its meter was caught at lying: nothing is proved by it
NOT_BELIEVED = "the meter is not to be believed"
UNREAD = "the meter gave no reading"  # words of a check: its meter is silent, so nothing is proved


@dataclass(frozen=True, slots=True)
class Check:
    """A dead test, function check or look: name, value in ``unit``, what is allowed, whether met."""

    name: str
    value: float | None
    unit: str
    allowed: str
    met: bool | None  # None: recorded, not judged
    words: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The decision. ``reason`` is one plain sentence; ``rule`` names the rule that decided.

    ``conformity`` is the probability that the worst condition's true value is at most the pass limit;
    None where only a lower bound or nothing is known of it.
    """

    verdict: Literal["pass", "fail", "none"]
    rule: str
    reason: str
    worst: Condition | None = None
    conformity: float | None = None


Standing = Literal["within", "exceeds", "open", "unknown"]


@dataclass(frozen=True, slots=True)
class Gauge:
    """What a verdict is held against: one limit with its set and mark, and how the worst stands to it.

    ``decides`` false: context only. ``words`` is the whole line as people read it.
    """

    set: str
    version: str
    limit: str
    value: float
    unit: str
    source: str
    mark: str
    decides: bool
    standing: Standing
    words: str


class ShownSign(NamedTuple):
    """One piece of evidence for or against a cause, with its source and mark."""

    words: str
    speaks_for: bool
    source: str
    mark: str


@dataclass(frozen=True, slots=True)
class Likely:
    """A likely cause: no finding. ``confidence`` 0 to 1, ``next`` what a person does now."""

    cause: str
    confidence: float
    evidence: tuple[ShownSign, ...]
    next: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a procedure returns. Limits that hold are (name, value, unit, source, mark, version, set)."""

    verdict: Verdict
    conditions: tuple[Condition, ...] = ()
    checks: tuple[Check, ...] = ()
    cause: str = "don't know"
    disposition: str = ""
    cautions: tuple[str, ...] = ()
    limits: tuple[tuple[str, float, str, str, str, str, str], ...] = ()
    facts: Mapping[str, float | str] = field(default_factory=dict)
    gauges: tuple[Gauge, ...] = ()
    likely: Likely | None = None


Procedure = Generator[Demand, Scan, Outcome]
