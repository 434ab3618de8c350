"""The limits, restated by hand, and who must approve which."""

from __future__ import annotations

import math

import pytest

from procedures.errors import UnknownFamily
from procedures.limits import (
    COMMON,
    LIMITS,
    Limit,
    limit_set_version,
    limits_for,
    needs_approval,
    sets,
)
from procedures.scan import Part

FAMILIES = (
    "heater",
    "pump",
    "circulation_pump",
    "blower",
    "ozone_corona",
    "ozone_uv",
    "converter",
    "transformer",
    "light",
    "gfci",
)
EVERYWHERE = {
    "pass_ma": (0.75, "mA", "P"),
    "fail_ma": (1.5, "mA", "P"),
    "too_wide_u_ma": (0.10, "mA", "P"),
    "rise_ma": (0.10, "mA", "P"),
    "gate_ma": (3.0, "mA", "P"),
    "cutoff_ma": (3.5, "mA", "P"),
    "bond_ohm": (0.1, "ohm", "C"),
    "ohms_low_percent": (-10.0, "%", "P"),
    "ohms_high_percent": (10.0, "%", "P"),
    "gfci_hold_ma": (4.0, "mA", "S"),
    "gfci_trip_ma": (6.0, "mA", "S"),
}
SOME = {
    ("heater", "insulation_stop_mohm"): (0.05, "Mohm", "S"),  # UL 1261:2016 31, 50 000 ohm
    ("heater", "insulation_mohm"): (0.3, "Mohm", "S"),  # DGUV 203-071 annex 5
    ("pump", "insulation_stop_mohm"): (1.0, "Mohm", "S"),  # the same, class I
    ("heater", "conductivity_low_ms_cm"): (2.5, "mS/cm", "P"),
    ("heater", "conductivity_high_ms_cm"): (3.0, "mS/cm", "P"),
    ("heater", "water_max_c"): (45.0, "°C", "P"),
    ("pump", "inrush_s"): (2.0, "s", "P"),
    ("transformer", "secondary_mohm"): (7.0, "Mohm", "P"),
    ("light", "secondary_mohm"): (7.0, "Mohm", "P"),
    ("converter", "charge_v"): (34.0, "V", "MEMORY"),
}


def _facts(limit: Limit) -> tuple[float, str, str]:
    return limit.value, limit.unit, limit.mark


@pytest.mark.parametrize("family", FAMILIES)
def test_what_holds_everywhere(family: str) -> None:
    limits = limits_for(family, Part("1", family))
    assert {name: _facts(limits[name]) for name in EVERYWHERE} == EVERYWHERE


@pytest.mark.parametrize("key", SOME)
def test_what_holds_for_a_family(key: tuple[str, str]) -> None:
    family, name = key
    assert _facts(limits_for(family, Part("1", family))[name]) == SOME[key]


def test_class_ii_needs_more_insulation() -> None:
    light = Part("1", "light", protective_class="II")
    assert limits_for("light", light)["insulation_stop_mohm"].value == 2.0


def test_each_limit_says_where_it_comes_from() -> None:
    for limit in (limit for one in (COMMON, *LIMITS, *sets()) for limit in one.limits):
        assert math.isfinite(limit.value)
        assert limit.source
        assert limit.unit
        assert limit.version
        assert limit.set
        assert limit.row()[:3] == (limit.name, limit.value, limit.unit)


def test_limits_cannot_be_changed_in_passing() -> None:
    limits = limits_for("heater", Part("1", "heater"))
    with pytest.raises(TypeError):
        limits["pass_ma"] = limits["fail_ma"]  # type: ignore[index]


def test_proposals_and_memories_need_a_name() -> None:
    needs = {mark: needs_approval(Limit("x", 1.0, "mA", "", mark)) for mark in ("S", "D", "C", "P")}
    assert needs == {"S": False, "D": False, "C": False, "P": True}
    assert needs_approval(Limit("x", 1.0, "mA", "", "MEMORY"))


def test_an_unknown_family_is_refused_with_the_nearest() -> None:
    with pytest.raises(UnknownFamily, match="did you mean heater"):
        limits_for("heeter", Part("1", "heeter"))
    with pytest.raises(UnknownFamily, match="known: heater, pump"):
        limit_set_version("zzz")
    assert limit_set_version("heater").startswith("heater ")
