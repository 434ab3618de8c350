"""The signatures of likely causes, as data: how often each sign shows with each cause, and what to do.

Shares are shop experience (common practice, no source) in steps. A sign that a signature does not list
shows as usual, unless it is abnormal: then that cause doesn't explain it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from procedures.cause_signs import COMMON_PRACTICE
from procedures.limit_kinds import Mark

ALWAYS, USUALLY, OFTEN, RARELY, NEVER = 0.97, 0.85, 0.6, 0.1, 0.02

HEATER = frozenset({"heater"})
PUMPS = frozenset({"pump", "circulation_pump"})
BLOWER = frozenset({"blower"})
OZONE = frozenset({"ozone_corona", "ozone_uv"})
CONVERTER = frozenset({"converter"})
LIGHTS = frozenset({"light", "transformer"})
GFCI = frozenset({"gfci"})
PARTS = HEATER | PUMPS | BLOWER | OZONE | CONVERTER | LIGHTS
WINDINGS = PUMPS | BLOWER | LIGHTS


@dataclass(frozen=True, slots=True)
class Signature:
    """One row: the cause in plain words, whose it is, how often its signs show, and what to do.

    ``disposition`` is proposed when the part failed (P), ``next`` is what a person does now (P).
    ``warranty``: whether it can be a maker's fault. ``sound``: the part itself is in order.
    """

    cause: str
    families: frozenset[str]
    signs: Mapping[str, float]
    disposition: str
    next: str
    warranty: bool = True
    sound: bool = False
    source: str = COMMON_PRACTICE
    mark: Mark = "C"


SIGNATURES: tuple[Signature, ...] = (
    Signature(
        "nothing wrong found",
        PARTS - CONVERTER,
        {
            "fine": ALWAYS,
            "dry_fine": USUALLY,
            "in_phase": RARELY,
            "quarter": OFTEN,
            "rusty": RARELY,
        },
        "resell",
        "give it back or resell it; look for the fault elsewhere in the spa",
        sound=True,
    ),
    Signature(
        "damp filler, baked out",
        HEATER,
        {
            **{"dry_leaks": ALWAYS, "dries": ALWAYS, "fine": USUALLY, "soaked_leaks": RARELY},
            **{"dry_fine": NEVER, "in_phase": USUALLY, "insulation": 0.4, "wet_leaks": RARELY},
        },
        "resell",
        "store it dry; it takes up moisture again",
        warranty=False,
        sound=True,
    ),
    Signature(
        "damp filler",
        HEATER,
        {
            **{"dry_leaks": ALWAYS, "in_phase": USUALLY, "fine": NEVER, "dry_fine": NEVER},
            **{"insulation": OFTEN, "wet_leaks": USUALLY, "soaked_leaks": OFTEN, "at_end": RARELY},
            **{"dries": RARELY, "middle": OFTEN, "erratic": RARELY},
        },
        "dry and retest",
        "dry it in an oven or bake it out at quarter power, then retest; look for a broken end seal",
        warranty=False,
    ),
    Signature(
        "pinhole near the middle",
        HEATER,
        {
            **{"dry_fine": ALWAYS, "wet_leaks": ALWAYS, "in_phase": ALWAYS, "middle": ALWAYS},
            **{"fine": NEVER, "at_end": NEVER, "soaked_leaks": USUALLY, "insulation": 0.4},
            **{"rusty": 0.25, "hot_only": NEVER, "erratic": RARELY},
        },
        "scrap",
        "scrap it; look at the water's chemistry before a new one goes in",
    ),
    Signature(
        "pinhole",
        HEATER,
        {
            **{"dry_fine": ALWAYS, "wet_leaks": ALWAYS, "in_phase": ALWAYS, "middle": 0.05},
            **{"fine": NEVER, "soaked_leaks": USUALLY, "insulation": 0.4, "rusty": 0.25},
            **{"hot_only": NEVER, "at_end": RARELY, "erratic": RARELY},
        },
        "scrap",
        "scrap it; look at the water's chemistry before a new one goes in",
    ),
    Signature(
        "hot failure",
        HEATER,
        {
            **{"hot_only": ALWAYS, "dry_fine": USUALLY, "wet_leaks": NEVER, "fine": NEVER},
            **{"in_phase": USUALLY, "soaked_leaks": 0.3, "dry_leaks": NEVER},
        },
        "scrap",
        "scrap it, or claim where it is in its warranty and without corrosion",
    ),
    Signature(
        "seal leak",
        PUMPS,
        {
            **{"turning": USUALLY, "in_phase": USUALLY, "fine": NEVER, "by_speed": OFTEN},
            **{"insulation": 0.4, "erratic": 0.3, "rest_leaks": 0.2, "water": 0.2, "rusty": 0.2},
        },
        "repair",
        "replace the seal, dry the winding, then retest",
        warranty=False,
    ),
    Signature(
        "stuck rotor",
        PUMPS | BLOWER,
        {"hums": ALWAYS, "shaft": NEVER, "fine": USUALLY, "quarter": OFTEN, "rusty": 0.3},
        "repair",
        "free the shaft or replace the bearings, then retest",
        warranty=False,
    ),
    Signature(
        "weak or dead capacitor",
        PUMPS | BLOWER,
        {"hums": ALWAYS, "shaft": ALWAYS, "fine": USUALLY, "quarter": OFTEN},
        "repair",
        "replace the capacitor, then retest",
    ),
    Signature(
        "water in the motor, comes back when humid",
        BLOWER,
        {
            **{"comes_back": ALWAYS, "dries": USUALLY, "in_phase": USUALLY, "fine": NEVER},
            **{"insulation": 0.4, "erratic": RARELY},
        },
        "scrap",
        "scrap it; replace the check valve or raise the loop before a new one goes in",
        warranty=False,
    ),
    Signature(
        "water in the motor, dried out",
        BLOWER,
        {
            **{"dries": ALWAYS, "comes_back": NEVER, "fine": USUALLY, "in_phase": USUALLY},
            **{"insulation": 0.3},
        },
        "resell",
        "replace the check valve where it goes in",
        warranty=False,
        sound=True,
    ),
    Signature(
        "water in the cell (check valve)",
        OZONE,
        {
            **{"rest_leaks": ALWAYS, "in_phase": ALWAYS, "fine": NEVER, "erratic": USUALLY},
            **{"insulation": OFTEN, "drops_out": RARELY, "water": 0.2},
        },
        "scrap",
        "scrap the cell; replace the check valve with it",
        warranty=False,
    ),
    Signature(
        "lamp or ballast dead",
        OZONE | frozenset({"light"}),
        {"nothing": ALWAYS, "fine": ALWAYS, "dead_output": USUALLY, "ohms_open": 0.3},
        "repair",
        "replace the lamp or the ballast, then retest",
    ),
    Signature(
        "filter capacitors, normal",
        CONVERTER,
        {
            **{"fine": ALWAYS, "quarter": ALWAYS, "in_phase": NEVER, "half_wave": NEVER},
            **{"one_way": RARELY, "rest_leaks": 0.3},
        },
        "resell",
        "nothing: this leakage is in its design",
        sound=True,
    ),
    Signature(
        "wet board",
        CONVERTER,
        {
            **{"half_wave": USUALLY, "in_phase": USUALLY, "quarter": NEVER, "rest_leaks": USUALLY},
            **{"fine": 0.15, "erratic": 0.4, "insulation": OFTEN, "water": 0.3, "burnt": 0.1},
        },
        "dry and retest",
        "open, clean and dry the board, then retest",
        warranty=False,
    ),
    Signature(
        "dead",
        CONVERTER | frozenset({"transformer"}),
        {"dead_output": ALWAYS, "fine": ALWAYS, "ohms_open": 0.4, "nothing": USUALLY, "burnt": 0.2},
        "scrap",
        "scrap it, or claim where it is in its warranty",
    ),
    Signature(
        "breakdown between primary and secondary",
        LIGHTS,
        {"across": ALWAYS, "burnt": 0.2, "water": 0.2},
        "scrap",
        "scrap it: a ground-fault breaker can't see past this winding",
    ),
    Signature(
        "element open",
        HEATER,
        {"ohms_open": ALWAYS, "ohms_off": NEVER, "nothing": USUALLY, "burnt": 0.2, "bulge": 0.2},
        "scrap",
        "scrap it; look for flow and level switches that let it run dry",
    ),
    Signature(
        "another element than the plate says",
        HEATER,
        {"ohms_off": ALWAYS, "ohms_open": NEVER, "nothing": NEVER},
        "scrap",
        "compare plate and intake; else scrap it",
    ),
    Signature(
        "winding open",
        PUMPS | BLOWER,
        {"ohms_open": USUALLY, "nothing": ALWAYS, "fine": USUALLY, "hums": NEVER, "burnt": 0.2},
        "repair",
        "look at the thermal cut-out and the leads; else rewind or scrap",
    ),
    Signature(
        "wiring: a live lead on the case",
        PARTS,
        {
            **{"bolted": ALWAYS, "insulation": ALWAYS, "at_end": USUALLY, "in_phase": ALWAYS},
            **{"fine": NEVER, "dry_fine": NEVER, "dry_leaks": ALWAYS, "rest_leaks": ALWAYS},
            **{"burnt": 0.3, "water": 0.2, "wet_leaks": ALWAYS},
        },
        "repair",
        "open the terminals, mend or replace lead and terminals, then retest",
        warranty=False,
    ),
    Signature(
        "wiring: ground lead open",
        PARTS,
        {"bond": ALWAYS, "burnt": 0.1, "rusty": 0.3, "water": 0.1},
        "repair",
        "mend the ground lead, then retest from the beginning",
        warranty=False,
    ),
    Signature(
        "intermittent contact or crack",
        PARTS,
        {
            **{"erratic": ALWAYS, "drops_out": USUALLY, "in_phase": USUALLY, "fine": 0.2},
            **{"rest_leaks": 0.4, "wet_leaks": 0.4, "dry_leaks": 0.2, "hot_only": 0.2},
            **{"turning": 0.2, "insulation": 0.2, "dries": RARELY, "soaked_leaks": 0.4},
        },
        "scrap",
        "move leads and terminals while it is limited; mend what moves the reading, else scrap",
    ),
    Signature(
        "trips below its range",
        GFCI,
        {"trips_low": ALWAYS, "trips_late": NEVER},
        "diagnosis only, never resale",
        "replace it; it trips on what it should hold",
        warranty=False,
    ),
    Signature(
        "trips late or not at all",
        GFCI,
        {"trips_late": ALWAYS, "trips_low": NEVER},
        "diagnosis only, never resale",
        "replace it at once: it does not protect",
        warranty=False,
    ),
)
