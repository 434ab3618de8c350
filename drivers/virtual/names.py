"""The bench's outputs and inputs with their addresses, as in the example bench file."""

from __future__ import annotations

from collections.abc import Mapping

FEEDS = ("limited", "line_neutral", "neutral_line", "both_hot", "line_line")
SOURCES = ("bond", "ohms", "insulation", "insulation_low", "insulation_secondary")
CONTACTORS = ("contactor_1", "contactor_2")

COILS: Mapping[str, int] = {
    "contactor_1": 0,
    "contactor_2": 1,
    "lid_lock": 2,
    "voltage_check": 3,
    "positive_control": 4,
    "bay_1": 8,
    "bay_2": 9,
    "bay_3": 10,
    "bay_4": 11,
    "feed_limited": 16,
    "feed_line_neutral": 17,
    "feed_neutral_line": 18,
    "feed_both_hot": 19,
    "feed_line_line": 20,
    "source_bond": 24,
    "source_ohms": 25,
    "source_insulation": 26,
    "source_insulation_low": 27,
    "source_insulation_secondary": 28,
    "aid_water": 32,
    "aid_flow": 33,
    "aid_humid": 34,
    "aid_high_speed": 35,
    "reference_resistive": 40,
    "reference_capacitive": 41,
    "trip_leg_1": 42,
    "trip_leg_2": 43,
    "hold_leg_1": 44,
    "hold_leg_2": 45,
    "neutral_upstream": 46,
    "neutral_downstream": 47,
    "known_load": 48,
    "gfci_injector": 49,
    "known_resistors": 50,
}

DISCRETES: Mapping[str, int] = {
    "contactor_1_open": 0,
    "contactor_2_open": 1,
    "stop_healthy": 2,
    "lid_closed": 3,
    "lid_locked": 4,
    "gfci_live": 5,
    "arm_pressed": 6,
    "bays_open": 7,
    "feeds_open": 8,
    "earth_ok": 9,
    "level_ok": 10,
    "flow_ok": 11,
    "thermal_ok": 12,
    "hood_ok": 13,
    "part_output_live": 14,
}

SOURCE_OUTPUTS = tuple(f"source_{name}" for name in SOURCES)
# what carries load current or chooses the feed: may only move while the bus is dead
ROUTE_OUTPUTS = frozenset(
    [name for name in COILS if name.startswith(("bay_", "feed_"))]
    + ["aid_high_speed", "known_load", "known_resistors"]
)
# what the relay board's watchdog and the hard-wired stop drop
DROPPED_OUTPUTS = (*CONTACTORS, *SOURCE_OUTPUTS, "positive_control", "gfci_injector")
