"""Dead tests that prove their meter: ground bond, insulation, ohms. Used with ``yield from``.

A test meter that lies plausibly looks like a sound part, or like a bad one. So each is shown the bench's
known resistor while it counts: see ``proved_test``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from procedures.bond import in_service, part_lead_ohm
from procedures.scan import (
    KNOWN_RESISTORS,
    NOT_BELIEVED,
    QUANTITIES,
    Accuracy,
    Check,
    Source,
)
from procedures.steps import (
    BY_HAND,
    DEAD_TESTS,
    UNFITTED,
    Reading,
    Run,
    Step,
    dead_test,
    read_source,
)

METER_PROOF: frozenset[str] = frozenset({KNOWN_RESISTORS})  # what a declaration gives to them
OHMS = "ohms, terminal to terminal"
KNOWN_S = 1.2  # of samples of a known resistor, after settling
KNOWN_SHARE, METER_SHARE = 0.01, 1.5  # tolerance of a known resistor; of the meter's statement
POOR = Accuracy(5.0, 0.05)  # a bench file without a statement: assume a poor meter


def proved_test(
    run: Run, name: str, source: Source, good: Callable[[Reading], bool], twice: bool = False
) -> Step[Reading]:
    """A dead test with a positive control of its meter: the part, a known resistor, the part again.

    A test meter that lies steadily (frozen, wrong scale, drifting, over its range) reads the bench's
    known resistor wrongly, or with the very digits of the part. One that lies for a moment can't
    lie about both readings of the part, with the resistor between them; so what would reject the part
    is read twice, and with ``twice`` also what would pass it. A reading that fails its control is
    worth nothing: no pass and no reject. Without a known resistor that is recorded as not done.
    """
    first = yield from dead_test(run, name, source)
    if first.unproved or first.words in (UNFITTED, BY_HAND):
        return first
    doubt = yield from _known(run, name, source, first, good(first))
    if doubt:
        return Reading(None, 0, doubt)
    if good(first) and not twice:
        return first
    second = yield from dead_test(run, name, source)
    if second.unproved or good(second) is good(first):
        return second
    shown = " and ".join(_shown(one) for one in (first, second))
    return Reading(None, 0, f"{NOT_BELIEVED}: it read {shown} of the same part")


def _known(run: Run, name: str, source: Source, part: Reading, good: bool) -> Step[str]:
    """The control, put into the record: why ``part`` is not to be believed, empty when it is."""
    test = DEAD_TESTS[source]
    quantity, unit, title = test.quantity, QUANTITIES[test.quantity], f"{name}, known resistor"
    known = run.setup.known.get(quantity)
    if known is None or KNOWN_RESISTORS not in run.setup.proof:
        words = "not done: no known resistor is fitted, the meter is taken on trust"
        run.checks.append(Check(title, None, unit, "", None, words))
        return ""
    want = replace(run.demand(title), source=source, proof=frozenset({KNOWN_RESISTORS}))
    brief = test._replace(seconds=test.settle_s + KNOWN_S)
    reading = yield from read_source(run, want, brief)
    half = METER_SHARE * run.setup.accuracy.get(quantity, POOR).half_width(known)
    within = half + KNOWN_SHARE * known
    words = _doubt(reading, part, known, within, good)
    met = None if words else True
    allowed = f"{known:g} within {within:.3g}"
    run.checks.append(Check(title, reading.value, unit, allowed, met, words))
    return words


def _doubt(reading: Reading, part: Reading, known: float, within: float, good: bool) -> str:
    """Besides a wrong value: the very digits of the part (it hangs), or a part that would be rejected
    for reading as the resistor does (the changeover hangs). A part over the meter's range shows no
    digits, so a resistor that then reads the same in each sample proves the meter, and no hang."""
    if reading.value is None or abs(reading.value - known) > within:
        return f"{NOT_BELIEVED}: it reads {_shown(reading)} of a known {known:g}"
    hangs = bool(part.digits) and len(part.digits | reading.digits) == 1
    alike = part.value is not None and abs(part.value - known) <= within
    if hangs or (alike and not good):
        return f"{NOT_BELIEVED}: it can't tell the part from its known resistor of {known:g}"
    return ""


def _shown(reading: Reading) -> str:
    return reading.words or f"{reading.value:.4g}"


def ground(run: Run, name: str = "ground bond") -> Step[bool]:
    """Bond of a class I part, or continuity of a class II part's electrode or foil (domain rule 1).

    Both are the same measurement through the leakage sensor. Class I above its limit is a reject; a
    class II part without an electrode is *not proved*, which is no fault of the part.
    """
    allowed_ohm = run.limit("bond_ohm") + part_lead_ohm(run.part)

    def within(bond: Reading) -> bool:
        return bond.value is not None and bond.value <= allowed_ohm

    reading = yield from proved_test(run, name, "bond", within)
    good = within(reading)
    words = reading.words
    if reading.over and run.part.protective_class == "II":
        words = "open: no earthed electrode or foil fitted"
    unsaid = run.part.protective_class == "II" or reading.unproved or words == UNFITTED
    judged = None if unsaid else good
    met = True if good else judged
    run.checks.append(Check(name, reading.value, "ohm", f"<= {allowed_ohm:.3g}", met, words))
    run.grounded = good
    beside = in_service(run.part, reading.value)
    if beside is not None and name == "ground bond":
        run.checks.append(beside)
    return good


def insulation(run: Run, name: str, source: Source, stop_mohm: float) -> Step[bool]:
    """Insulation against its stop value; false below it: no full feed, a reject at the end.

    Not judged at once, because the limited step (2.6 mA at most) may still say how bad it is: see
    ``judge_insulation``. Over the meter's range is sound; a meter that says nothing proves nothing.
    """

    def enough(found: Reading) -> bool:
        return found.value is None or found.value >= stop_mohm

    run.insulated_by = source
    reading = yield from proved_test(run, name, source, enough)
    low, good = not enough(reading), enough(reading) and not reading.unproved
    met = True if good and reading.value is not None else None
    words = "below the stop value: not energised at full voltage" if low else reading.words
    run.checks.append(Check(name, reading.value, "Mohm", f">= {stop_mohm:g}", met, words))
    return good


def judge_insulation(run: Run, name: str) -> None:
    """A value below the stop value becomes a reject, unless the leakage fails the part by itself."""
    if run.fails():
        return
    run.checks[:] = [
        replace(c, met=False) if c.name == name and c.met is None and c.value is not None else c
        for c in run.checks
    ]


def ohms(run: Run, expected_ohm: float | None) -> Step[bool]:
    """Terminal to terminal, against the plate's value when it gives one (band in percent)."""
    if expected_ohm is None or "ohms" not in run.setup.sources:
        return (yield from _ohms_recorded(run))
    low, high = run.limit("ohms_low_percent"), run.limit("ohms_high_percent")
    least, most = expected_ohm * (1 + low / 100), expected_ohm * (1 + high / 100)

    def within(found: Reading) -> bool:
        return found.value is not None and least <= found.value <= most

    reading = yield from proved_test(run, OHMS, "ohms", within)
    if reading.words == UNFITTED:
        run.checks.append(Check("ohms", None, "ohm", "recorded", None, UNFITTED))
        return True
    good = within(reading)
    met = None if reading.unproved else good
    allowed = f"{least:.2f} to {most:.2f}"
    run.checks.append(Check("ohms", reading.value, "ohm", allowed, met, reading.words))
    return good


def _ohms_recorded(run: Run) -> Step[bool]:
    reading = yield from dead_test(run, OHMS, "ohms")
    words = reading.words or "the plate gives no resistance"
    run.checks.append(Check("ohms", reading.value, "ohm", "recorded", None, words))
    return True
