"""Signs that a likely cause is told by: what the readings show, do not show, or leave open (None).

A sign that was not looked for is None and is no evidence. ``odd`` is how often a sign shows among faults
that are in no table (shop experience, no source); ``abnormal`` signs want an explanation.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from procedures.limit_kinds import Mark
from procedures.scan import Condition
from procedures.story import Story

COMMON_PRACTICE = "common practice, no source"
OHMS_LAW = "Ohm's law"
LEAST_MA = 0.15  # less has no angle worth the name
DRY_MA = 0.1  # an element this good while dry that leaks in water has a hole in it
REST_MA = 0.3  # in phase at rest; a wet winding that leaks no more than this leaks by turning
BOLTED_MA = 100.0  # below 1.2 kohm at 120 V
IN_PHASE_DEG, QUARTER_DEG = 30.0, 80.0
DC_SHARE, DC_LEAST_MA = 0.15, 0.05
JUMPING = ("stepping", "bursts")  # courses of a leakage (trend.py) that are no drift
SWING, SWING_LEAST_MA = 0.04, 0.03
MIDDLE, END = (0.35, 0.65), 0.12
PLACE_WIDE = 0.3  # an interval wider than this says nothing of the place
HALF, TWICE, NOTHING = 0.5, 2.0, 0.1
INSULATION = frozenset({"insulation", "insulation, dry", "insulation, wet"})
OPEN_OHMS = 3.0  # times what the plate gives

Shown = Callable[[Story], bool | None]


@dataclass(frozen=True, slots=True)
class Sign:
    """One sign: words when it shows and when it doesn't, how often it shows in other faults."""

    name: str
    words: str
    absent: str
    shown: Shown
    odd: float
    abnormal: bool = True
    source: str = COMMON_PRACTICE
    mark: Mark = "C"


def _any(conditions: Iterable[Condition], holds: Callable[[Condition], bool]) -> bool | None:
    found = [holds(c) for c in conditions]
    return any(found) if found else None


def _over(s: Story, c: Condition, name: str = "pass_ma") -> bool:
    return c.basis == "above" or c.y_ma > s.limit(name)


def _leaks(phase: str) -> Shown:
    return lambda s: _any(s.of(phase), lambda c: _over(s, c))


def _dry_fine(s: Story) -> bool | None:
    leaks = _any(s.of("dry"), lambda c: c.basis == "above" or abs(c.resistive_ma) > DRY_MA)
    return None if leaks is None else not leaks


def _only_wet(s: Story) -> bool | None:
    fine, wet = _dry_fine(s), _leaks("wet")(s)
    return None if fine is None or wet is None else fine and wet


def _fine(s: Story) -> bool | None:
    leaks = _any((c for c in s.conditions if c.counts), lambda c: _over(s, c))
    return None if leaks is None else not leaks


def _dries(s: Story) -> bool | None:
    """What was too much at first is less than half of it and within the limit after drying."""
    before, after = s.of("received"), s.of("dried")
    if before and not _over(s, before[0]):
        return False
    if not before or not after:
        return None
    return not _over(s, after[0]) and after[0].y_ma < HALF * before[0].y_ma


def _comes_back(s: Story) -> bool | None:
    dry, humid = s.of("dried"), s.of("humid")
    if not dry or not humid:
        return None
    return not any(_over(s, c) for c in dry) and any(_over(s, c) for c in humid)


def _hot_only(s: Story) -> bool | None:
    cold, hot = s.of("wet"), s.of("hot")
    if not cold or not hot:
        return None
    return not any(_over(s, c) for c in cold) and any(_over(s, c) for c in hot)


def _turning(s: Story) -> bool | None:
    rest, turning = s.of("rest"), s.of("turning")
    if not rest or not turning:
        return None
    small = all(abs(c.resistive_ma) <= REST_MA and not _over(s, c) for c in rest)
    return small and any(_over(s, c) for c in turning)


def _by_speed(s: Story) -> bool | None:
    slow, fast = s.of("slow"), s.of("fast")
    if not slow or not fast:
        return None
    low, high = sorted((slow[0].y_ma, fast[0].y_ma))
    return high >= LEAST_MA and high > TWICE * low


def angle_deg(condition: Condition) -> float:
    """Angle of the leakage against the supply: 0 resistive, 90 capacitive."""
    return math.degrees(math.atan2(abs(condition.capacitive_ma), abs(condition.resistive_ma)))


def _angle(holds: Callable[[float], bool]) -> Shown:
    def shown(s: Story) -> bool | None:
        worst = s.greatest()
        return None if worst is None or worst.y_ma < LEAST_MA else holds(angle_deg(worst))

    return shown


def _half_wave(s: Story) -> bool | None:
    read = [(abs(c.dc_ma), c.y_ma) for c in s.conditions if c.dc_ma is not None]
    if not read:
        return None
    return any(dc_ma > max(DC_LEAST_MA, DC_SHARE * y_ma) for dc_ma, y_ma in read)


def _erratic(s: Story) -> bool | None:
    found = [
        rms_ma > max(SWING_LEAST_MA, SWING * high_ma) for rms_ma, high_ma, _ in s.swings.values()
    ]
    found += [c.trend in JUMPING and c.y_ma >= LEAST_MA for c in s.conditions]
    return any(found) if found else None


def _drops_out(s: Story) -> bool | None:
    jumping = [
        low_ma < 0.3 * high_ma
        for rms_ma, high_ma, low_ma in s.swings.values()
        if rms_ma > max(SWING_LEAST_MA, SWING * high_ma)
    ]
    return any(jumping) if s.swings else None


def _bolted(s: Story) -> bool | None:
    tied = [c for c in s.conditions if c.basis == "prospective"]
    return _any(tied, lambda c: c.y_ma >= BOLTED_MA or c.note.startswith("no upper bound"))


def _place(holds: Callable[[float], bool]) -> Shown:
    def shown(s: Story) -> bool | None:
        x, low, high = (s.facts.get(name) for name in ("place", "place_low", "place_high"))
        if not isinstance(x, float) or not math.isfinite(x):
            return None
        wide = isinstance(low, float) and isinstance(high, float) and high - low > PLACE_WIDE
        return None if wide else holds(x)

    return shown


def _one_way(s: Story) -> bool | None:
    """One terminal shows it, the other hides it."""
    ways = s.of("ways")
    if len(ways) < 2 or any(c.basis == "above" for c in ways):
        return None
    low, high = sorted(c.y_ma for c in ways)
    return high >= LEAST_MA and low < NOTHING * TWICE * high


def _unmet(start: str) -> Shown:
    def shown(s: Story) -> bool | None:
        judged = [c.met for c in s.of_part() if c.name.startswith(start) and c.met is not None]
        return not all(judged) if judged else None

    return shown


def _ohms_open(s: Story) -> bool | None:
    check = s.check("ohms")
    if check is None or check.words == "not fitted":
        return None
    if check.value is None:
        return check.words.startswith("open")
    top = float(check.allowed.split()[-1]) if " to " in check.allowed else math.inf
    return check.value > OPEN_OHMS * top


def _ohms_off(s: Story) -> bool | None:
    check, is_open = s.check("ohms"), _ohms_open(s)
    return None if check is None or check.met is None else not check.met and not is_open


def _draws_nothing(s: Story) -> bool | None:
    """The least value that the plate allows is missed by far."""
    for start in ("power", "current"):
        check = s.check(start)
        if check is not None and check.value is not None and check.met is not None:
            least = float(check.allowed.split()[0])
            return not check.met and check.value < HALF * least
    return None


def _draws_little(s: Story) -> bool | None:
    """Too little, and still something."""
    for start in ("power", "current"):
        check = s.check(start)
        if check is not None and check.value is not None and check.met is not None:
            least = float(check.allowed.split()[0])
            return not check.met and HALF * least <= check.value < least
    return None


def _draws_much(s: Story) -> bool | None:
    for start in ("power", "current"):
        check = s.check(start)
        if check is not None and check.value is not None and check.met is not None:
            return not check.met and check.value > float(check.allowed.split()[-1])
    return None


def _dead_output(s: Story) -> bool | None:
    checks = [s.check(start) for start in ("output", "lamp_on")]
    judged = [check.met for check in checks if check is not None and check.met is not None]
    return not all(judged) if judged else None


def _looks(*words: str) -> Shown:
    def shown(s: Story) -> bool | None:
        check = s.check("look")
        return None if check is None else check.words in words

    return shown


def _insulation(s: Story) -> bool | None:
    """Below the least that full voltage wants, in whatever state."""
    read = [c for c in s.checks if c.name in INSULATION]
    values = [c.value for c in read if c.value is not None]
    if not read:
        return None
    return any(value < s.limit("insulation_stop_mohm") for value in values)


def _shaft(s: Story) -> bool | None:
    answer = s.facts.get("shaft turns by hand")
    return None if answer not in ("yes", "no") else answer == "yes"


def _trip(holds: Callable[[float, Story], bool]) -> Shown:
    def shown(s: Story) -> bool | None:
        check = s.check("trip current")
        if check is None or check.met is None:
            return None
        if check.words == "it did not trip":
            return holds(math.inf, s)
        return None if check.value is None else holds(check.value, s)

    return shown


SIGNS: tuple[Sign, ...] = (
    Sign("fine", "no leakage above the pass limit", "it leaks too much", _fine, 0.4, False),
    Sign("dry_fine", "next to nothing in phase while dry", "it leaks dry", _dry_fine, 0.5, False),
    Sign("dry_leaks", "leaks dry", "does not leak dry", _leaks("dry"), 0.25),
    Sign("wet_leaks", "leaks in cold water", "does not leak in cold water", _leaks("wet"), 0.4),
    Sign("only_wet", "leaks in water and not dry", "not only in water", _only_wet, 0.15),
    Sign("rest_leaks", "leaks at rest", "does not leak at rest", _leaks("rest"), 0.4),
    Sign("dries", "falls below half by drying", "does not fall by drying", _dries, 0.1),
    Sign("soaked_leaks", "leaks after re-soaking", "stays dry", _leaks("soaked"), 0.3),
    Sign("comes_back", "comes back in humid air", "stays away in humid air", _comes_back, 0.1),
    Sign("hot_only", "only when hot", "not only when hot", _hot_only, 0.2),
    Sign("turning", "only while turning", "not by turning", _turning, 0.15),
    Sign("by_speed", "differs with speed", "the same at both speeds", _by_speed, 0.2, False),
    Sign(
        "in_phase",
        "in phase with the supply",
        "not in phase with the supply",
        _angle(lambda deg: deg < IN_PHASE_DEG),
        0.5,
        abnormal=False,
        source=OHMS_LAW,
        mark="D",
    ),
    Sign(
        "quarter",
        "at 90° to the supply, as through a capacitor",
        "not at 90°",
        _angle(lambda deg: deg >= QUARTER_DEG),
        0.25,
        abnormal=False,
        source=OHMS_LAW,
        mark="D",
    ),
    Sign("half_wave", "a DC part, as through a rectifier", "no DC part", _half_wave, 0.1),
    Sign("erratic", "jumps about", "steady from reading to reading", _erratic, 0.2),
    Sign("drops_out", "falls away to little and returns", "never falls away", _drops_out, 0.1),
    Sign("one_way", "shows one way round only", "shows both ways round", _one_way, 0.3, False),
    Sign(
        "middle",
        "its place is near the middle",
        "its place is not the middle",
        _place(lambda x: MIDDLE[0] <= x <= MIDDLE[1]),
        0.3,
        abnormal=False,
        source=OHMS_LAW,
        mark="D",
    ),
    Sign(
        "at_end",
        "its place is at a terminal",
        "its place is away from the terminals",
        _place(lambda x: not END < x < 1.0 - END),
        0.25,
        abnormal=False,
        source=OHMS_LAW,
        mark="D",
    ),
    Sign("bolted", "as good as a short to the case", "no short to the case", _bolted, 0.03),
    Sign(
        "bond", "the ground bond is open or high", "the ground bond is good", _unmet("ground"), 0.03
    ),
    Sign(
        "insulation", "insulation below its least", "insulation above its least", _insulation, 0.3
    ),
    Sign("ohms_open", "ohms: open", "ohms: not open", _ohms_open, 0.02),
    Sign("ohms_off", "ohms off the plate", "ohms as the plate says", _ohms_off, 0.05),
    Sign(
        "across",
        "primary to secondary insulation too low",
        "primary to secondary insulated",
        _unmet("primary to secondary"),
        0.02,
    ),
    Sign("nothing", "draws next to nothing", "draws its load", _draws_nothing, 0.06),
    Sign("little", "draws too little", "does not draw too little", _draws_little, 0.08),
    Sign("much", "draws more than its plate", "draws no more than its plate", _draws_much, 0.08),
    Sign("dead_output", "no output, no light", "output or light is there", _dead_output, 0.06),
    Sign("hums", "the inrush does not decay", "the inrush decays", _unmet("inrush"), 0.08),
    Sign("shaft", "the shaft turns by hand", "the shaft does not turn by hand", _shaft, 0.7, False),
    Sign("rusty", "rust or pits", "no rust, no pits", _looks("rust", "pit"), 0.1, False),
    Sign(
        "water", "water at the terminals", "dry terminals", _looks("water at the terminals"), 0.05
    ),
    Sign("burnt", "burnt", "not burnt", _looks("burnt"), 0.05),
    Sign("bulge", "a bulge", "no bulge", _looks("bulge"), 0.05),
    Sign(
        "trips_low",
        "trips below its range",
        "does not trip below its range",
        _trip(lambda ma, s: ma < s.limit("gfci_hold_ma")),
        0.05,
    ),
    Sign(
        "trips_late",
        "trips above its range or not at all",
        "trips in time",
        _trip(lambda ma, s: ma > s.limit("gfci_trip_ma")),
        0.05,
    ),
)
PLACES: Mapping[str, int] = {sign.name: n for n, sign in enumerate(SIGNS)}


def signs_of(story: Story) -> tuple[bool | None, ...]:
    """Every sign of an attempt, in the order of SIGNS."""
    return tuple(sign.shown(story) for sign in SIGNS)
