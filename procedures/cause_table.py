"""The signatures of likely causes, as data: how often each sign shows with each cause, and what to do.

Shares are shop experience (common practice, no source) in steps. A sign that a signature does not list
shows as usual, unless it is abnormal: then that cause doesn't explain it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from procedures.cause_signs import COMMON_PRACTICE
from procedures.limit_kinds import Mark

ALWAYS, USUALLY, OFTEN, RARELY, NEVER = 0.97, 0.85, 0.6, 0.1, 0.02
# explained, but no evidence: it follows from another sign of the row, and one fact counts once
FOLLOWS = math.nan

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
    ``kind_of``: the broader cause that is named where nothing tells the two apart.
    """

    cause: str
    families: frozenset[str]
    signs: Mapping[str, float]
    disposition: str
    next: str
    warranty: bool = True
    sound: bool = False
    kind_of: str = ""
    source: str = COMMON_PRACTICE
    mark: Mark = "C"


SIGNATURES: tuple[Signature, ...] = (
    Signature(
        "nothing wrong found",
        PARTS - CONVERTER,
        {
            "fine": ALWAYS,
            "dry_fine": FOLLOWS,
            "in_phase": FOLLOWS,
            "quarter": FOLLOWS,
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
            **{"dry_leaks": ALWAYS, "dries": ALWAYS, "fine": ALWAYS, "in_phase": ALWAYS},
            **{
                "soaked_leaks": RARELY,
                "wet_leaks": RARELY,
                "quarter": NEVER,
                "insulation": FOLLOWS,
            },
        },
        "resell",
        "store it dry; it takes up moisture again",
        warranty=False,
        sound=True,
        kind_of="damp filler",
    ),
    Signature(
        "damp filler",
        HEATER,
        {
            **{"dry_leaks": ALWAYS, "in_phase": ALWAYS, "quarter": NEVER, "dries": 0.5},
            **{"at_end": RARELY, "middle": OFTEN, "erratic": RARELY, "fine": NEVER},
            **{"insulation": FOLLOWS, "wet_leaks": FOLLOWS, "soaked_leaks": FOLLOWS},
        },
        "dry and retest",
        "dry it in an oven or bake it out at quarter power, then retest; look for a broken end seal",
        warranty=False,
    ),
    Signature(
        "pinhole near the middle",
        HEATER,
        {
            **{"only_wet": ALWAYS, "dry_fine": FOLLOWS, "wet_leaks": FOLLOWS, "in_phase": ALWAYS},
            **{
                "middle": ALWAYS,
                "hot_only": NEVER,
                "rusty": 0.25,
                "erratic": RARELY,
                "quarter": NEVER,
            },
            **{"fine": FOLLOWS, "soaked_leaks": FOLLOWS, "insulation": FOLLOWS, "at_end": RARELY},
        },
        "scrap",
        "scrap it; look at the water's chemistry before a new one goes in",
        kind_of="pinhole",
    ),
    Signature(
        "pinhole",
        HEATER,
        {
            **{"only_wet": ALWAYS, "dry_fine": FOLLOWS, "wet_leaks": FOLLOWS, "in_phase": ALWAYS},
            **{
                "middle": 0.05,
                "hot_only": NEVER,
                "rusty": 0.25,
                "erratic": RARELY,
                "quarter": NEVER,
            },
            **{"fine": FOLLOWS, "soaked_leaks": FOLLOWS, "insulation": FOLLOWS, "at_end": RARELY},
        },
        "scrap",
        "scrap it; look at the water's chemistry before a new one goes in",
    ),
    Signature(
        "hot failure",
        HEATER,
        {
            **{"hot_only": ALWAYS, "dry_fine": OFTEN, "in_phase": ALWAYS, "quarter": NEVER},
            **{"wet_leaks": FOLLOWS, "fine": FOLLOWS, "dry_leaks": NEVER, "soaked_leaks": 0.3},
        },
        "scrap",
        "scrap it, or claim where it is in its warranty and without corrosion",
    ),
    Signature(
        "seal leak",
        PUMPS,
        {
            **{"turning": USUALLY, "in_phase": ALWAYS, "quarter": NEVER, "fine": NEVER},
            **{"by_speed": OFTEN, "insulation": 0.4, "erratic": 0.3, "rest_leaks": 0.2},
            **{"water": 0.2, "rusty": 0.2},
        },
        "repair",
        "replace the seal, dry the winding, then retest",
        warranty=False,
    ),
    Signature(
        "stuck rotor",
        PUMPS | BLOWER,
        {"hums": ALWAYS, "shaft": NEVER, "fine": USUALLY, "quarter": FOLLOWS, "rusty": 0.3},
        "repair",
        "free the shaft or replace the bearings, then retest",
        warranty=False,
    ),
    Signature(
        "weak or dead capacitor",
        PUMPS | BLOWER,
        {"hums": ALWAYS, "shaft": ALWAYS, "fine": USUALLY, "quarter": FOLLOWS},
        "repair",
        "replace the capacitor, then retest",
    ),
    Signature(
        "water in the motor, comes back when humid",
        BLOWER,
        {
            **{"comes_back": ALWAYS, "dries": USUALLY, "in_phase": ALWAYS, "quarter": NEVER},
            **{"fine": FOLLOWS, "insulation": 0.4, "erratic": RARELY},
        },
        "scrap",
        "scrap it; replace the check valve or raise the loop before a new one goes in",
        warranty=False,
    ),
    Signature(
        "water in the motor, dried out",
        BLOWER,
        {
            **{"dries": ALWAYS, "comes_back": NEVER, "fine": USUALLY, "in_phase": ALWAYS},
            **{"insulation": FOLLOWS, "quarter": NEVER},
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
            **{"rest_leaks": ALWAYS, "in_phase": ALWAYS, "erratic": USUALLY, "quarter": NEVER},
            **{"fine": FOLLOWS, "insulation": FOLLOWS, "drops_out": RARELY, "water": 0.2},
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
            **{"fine": ALWAYS, "quarter": ALWAYS, "in_phase": FOLLOWS, "half_wave": NEVER},
            **{"one_way": RARELY},
        },
        "resell",
        "nothing: this leakage is in its design",
        sound=True,
    ),
    Signature(
        "wet board",
        CONVERTER,
        {
            **{"half_wave": USUALLY, "in_phase": USUALLY, "rest_leaks": USUALLY, "fine": 0.15},
            **{"quarter": NEVER, "insulation": FOLLOWS, "erratic": 0.4, "water": 0.3, "burnt": 0.1},
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
            **{"bolted": ALWAYS, "at_end": USUALLY, "in_phase": ALWAYS, "burnt": 0.3, "water": 0.2},
            **dict.fromkeys(("insulation", "fine", "dry_fine", "dry_leaks", "rest_leaks"), FOLLOWS),
            **{"wet_leaks": FOLLOWS, "quarter": NEVER},
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
            **{"erratic": ALWAYS, "drops_out": USUALLY, "in_phase": USUALLY, "quarter": RARELY},
            **dict.fromkeys(("rest_leaks", "wet_leaks", "dry_leaks", "soaked_leaks"), FOLLOWS),
            **dict.fromkeys(("fine", "insulation", "hot_only", "turning"), FOLLOWS),
            **{"dries": RARELY},
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
