"""What a verdict is held against, in words: the limits that decided, the warranty gate, the standards.

The resale gate decides. A supplier's warranty gate says whether a claim may follow, and that it does
is no finding that the maker's limit was exceeded. Standards' limits stand beside it as context.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from procedures.limit_kinds import Limit, Reference
from procedures.limit_references import references_for
from procedures.limit_sets import SETS, WORDS
from procedures.scan import Check, Condition, Gauge, Part, Standing, Verdict

BY_RULE: Mapping[str, tuple[str, ...]] = {  # a verdict's rule: the limits that decided
    "above the cut-off": ("cutoff_ma",),
    "above the fail limit": ("fail_ma",),
    "rising": ("rise_ma", "pass_ma"),
    "uncertainty too wide": ("too_wide_u_ma",),
    "still no pass": ("pass_ma", "guard_band_u"),
    "too close to call": ("pass_ma", "guard_band_u"),
    "retest": ("pass_ma", "guard_band_u", "fail_ma"),
    "pass": ("pass_ma", "guard_band_u", "too_wide_u_ma"),
    "diagnosis only": ("gfci_hold_ma", "gfci_trip_ma"),
}
BY_CHECK: tuple[tuple[str, tuple[str, ...]], ...] = (  # a check's name begins: its limits
    ("ground bond", ("bond_ohm",)),
    ("ohms", ("ohms_low_percent", "ohms_high_percent")),
    ("insulation", ("insulation_stop_mohm",)),
    ("primary to secondary", ("secondary_mohm",)),
    ("inrush", ("inrush_s",)),
    ("power", ("power_low_percent", "power_high_percent", "load_low_percent", "load_high_percent")),
    ("current", ("load_low_percent", "load_high_percent")),
    ("water temperature", ("water_max_c",)),
)
RESALE_WORDS: Mapping[str, str] = {
    "pass": "PASS against the resale gate in the conditions listed",
    "fail": "FAIL against the resale gate in the conditions listed",
    "none": "no verdict against the resale gate",
}
STANDING_WORDS: Mapping[Standing, str] = {
    "within": "would be within",
    "exceeds": "would exceed",
    "open": "could be on either side of",
    "unknown": "can't be told from what was read:",
}
CLAIM: Mapping[Standing, str] = {
    "within": "does not exceed the warranty gate",
    "exceeds": "exceeds the warranty gate; that is no finding that the maker's limit was exceeded",
    "open": "could be on either side of the warranty gate",
    "unknown": "nothing was read that can be held against the warranty gate",
}


def gauges(
    part: Part, verdict: Verdict, checks: Sequence[Check], limits: Mapping[str, Limit]
) -> tuple[Gauge, ...]:
    """Everything that this verdict is held against: what decided first, then context."""
    decided = (_deciding(limits[n], verdict) for n in deciding(verdict, checks) if n in limits)
    warranty = limits.get("warranty_ma") if part.warranty else None
    claim = () if warranty is None else (_claim(warranty, verdict.worst),)
    return (*decided, *claim, *_context(part, verdict.worst))


def deciding(verdict: Verdict, checks: Sequence[Check]) -> tuple[str, ...]:
    """Names of the limits by which this verdict was decided; of a reject those of the checks not met."""
    if verdict.rule in BY_RULE:
        return BY_RULE[verdict.rule]
    refused = [check.name for check in checks if check.met is False]
    found = (names for start, names in BY_CHECK for one in refused if one.startswith(start))
    return tuple(dict.fromkeys(name for names in found for name in names))


def stands(worst: Condition | None, limit_ma: float | None) -> Standing:
    """Where y ± U lies against a limit; a cut-off is only a lower bound."""
    if worst is None or limit_ma is None:
        return "unknown"
    if worst.basis == "above":
        return "exceeds" if worst.y_ma > limit_ma else "unknown"
    if worst.y_ma - worst.u_ma > limit_ma:
        return "exceeds"
    return "within" if worst.y_ma + worst.u_ma <= limit_ma else "open"


def exceeds_warranty(limits: Mapping[str, Limit], worst: Condition | None) -> bool:
    """Whether the worst leakage exceeds the warranty gate, with its uncertainty."""
    gate = limits.get("warranty_ma")
    return gate is not None and stands(worst, gate.value) == "exceeds"


def _deciding(limit: Limit, verdict: Verdict) -> Gauge:
    whose = SETS[limit.set].words if limit.set in SETS else limit.set
    words = RESALE_WORDS[verdict.verdict] if limit.set == "resale" else f"decided: {whose}"
    held = {"pass": "within", "fail": "exceeds", "none": "open"}
    standing: Standing = held[verdict.verdict]  # type: ignore[assignment]
    return _of(limit, standing, words, decides=True)


def _claim(limit: Limit, worst: Condition | None) -> Gauge:
    standing = stands(worst, limit.value)
    return _of(limit, standing, CLAIM[standing], decides=False)


def _of(limit: Limit, standing: Standing, words: str, decides: bool) -> Gauge:
    name = WORDS.get(limit.name, limit.name)
    of_it = (limit.value, limit.unit, limit.source, limit.mark)
    return Gauge(limit.set, limit.version, name, *of_it, decides, standing, words)


def _context(part: Part, worst: Condition | None) -> Iterator[Gauge]:
    if worst is None:
        return
    for one in references_for(part):
        value_ma = one.value_ma(part)
        if value_ma is not None and not one.peak:  # a peak limit is not held against r.m.s.
            yield _reference(one, value_ma, stands(worst, value_ma))


def _reference(one: Reference, value_ma: float, standing: Standing) -> Gauge:
    limit = f"{one.set} {one.words}, {value_ma:.4g} mA"
    aside = f"; measured otherwise: {one.measured}" if one.measured else ""
    words = f"{STANDING_WORDS[standing]} {limit}{aside}"
    of_it = (value_ma, "mA", one.source, one.mark)
    return Gauge(one.set, one.version, one.words, *of_it, False, standing, words)
