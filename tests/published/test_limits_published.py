"""Limits of standards as they are printed or quoted, restated by hand, with the mark of each text seen.

Marks: FOUND-P read in the primary document, FOUND-S in a text that quotes it, MEMORY from memory.
"""

from __future__ import annotations

import math

import pytest

from procedures.limit_kinds import Reference
from procedures.limit_references import REFERENCES, references_for
from procedures.limits import limits_for
from procedures.scan import Part


def _value(part: Part, set_name: str, words: str) -> float:
    found = [r for r in references_for(part) if (r.set, r.words) == (set_name, words)]
    assert len(found) == 1
    value = found[0].value_ma(part)
    assert value is not None
    return value


def _part(family: str, **plate: object) -> Part:
    return Part("P", family, **plate)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("kilowatt", "limit_ma"),
    [(1, 0.75), (1.5, 1.125), (3, 2.25), (4, 3.0), (5.5, 4.125), (6, 4.5), (6.667, 5), (12, 5)],
)
def test_stationary_class_i_heating_goes_by_the_kilowatt(kilowatt: float, limit_ma: float) -> None:
    """IEC 60335-1 13.2: 0.75 mA or 0.75 mA/kW, the greater, at most 5 mA (FOUND-S); figures computed.
    A transcription that drops the 5 mA would give 9 mA at 12 kW."""
    heater = _part("heater", rated_v=240.0, rated_w=kilowatt * 1000.0)
    found = _value(heater, "IEC 60335-1", "stationary class I, heating")
    assert found == pytest.approx(limit_ma, abs=5e-4)


def test_a_small_heater_keeps_the_floor() -> None:
    """IEC 60335-1 13.2 (FOUND-S): the greater of both."""
    small = _part("heater", rated_v=120.0, rated_w=500.0)
    assert _value(small, "IEC 60335-1", "stationary class I, heating") == 0.75


def test_the_other_rows_of_iec_60335_1() -> None:
    """IEC 60335-1 13.2 (FOUND-S): motor-operated 3.5 mA, portable class I 0.75, class II 0.25 r.m.s."""
    pump, light = _part("pump", rated_v=240.0, rated_a=10.0), _part("light", rated_w=20.0)
    plastic = _part("light", rated_w=20.0, protective_class="II")
    assert _value(pump, "IEC 60335-1", "stationary class I, motor-operated") == 3.5
    assert _value(light, "IEC 60335-1", "class I, as portable") == 0.75
    r_m_s = [r for r in references_for(plastic) if r.set == "IEC 60335-1" and not r.peak]
    assert [r.value_ma(plastic) for r in r_m_s] == [0.25]


def test_the_peak_limit_of_the_2010_edition_is_kept_apart_from_r_m_s() -> None:
    """IEC 60335-1:2010 13.2, class II 0.35 mA peak (MEMORY): 0.25·sqrt(2) rounded, never a r.m.s. one."""
    peaks = [one for one in REFERENCES if one.peak]
    assert [(one.least, one.mark) for one in peaks] == [(0.35, "MEMORY")]
    assert peaks[0].least == pytest.approx(0.25 * math.sqrt(2.0), abs=0.005)
    assert peaks[0].rule() == "0.35 mA peak"


def test_ul_family() -> None:
    """UL 8750 8.7.1 as quoted (FOUND-S): 3-wire stationary or fixed 0.75 MIU, 2-wire 0.5 MIU."""
    pump, plastic = _part("pump", rated_a=10.0), _part("light", protective_class="II")
    assert _value(pump, "UL 101 family", "3-wire, stationary or fixed") == 0.75
    assert _value(plastic, "UL 101 family", "2-wire") == 0.5


@pytest.mark.parametrize(
    ("kilowatt", "limit_ma"), [(1.0, 3.5), (3.5, 3.5), (5.5, 5.5), (10.0, 10.0), (12.0, 10.0)]
)
def test_in_service_protective_conductor_current(kilowatt: float, limit_ma: float) -> None:
    """DGUV Information 203-071 annex 5 (FOUND-P): 3.5 mA; heating above 3.5 kW 1 mA/kW, at most 10 mA."""
    heater = _part("heater", rated_v=240.0, rated_w=kilowatt * 1000.0)
    words = "protective-conductor current, heating elements"
    assert _value(heater, "in-service testing", words) == pytest.approx(limit_ma)


def test_in_service_for_the_others() -> None:
    """DGUV Information 203-071 annex 5 (FOUND-P): 3.5 mA; touch current 0.5 mA."""
    pump, plastic = _part("pump", rated_a=10.0), _part("light", protective_class="II")
    assert _value(pump, "in-service testing", "protective-conductor current") == 3.5
    assert _value(plastic, "in-service testing", "touch current") == 0.5


@pytest.mark.parametrize(
    ("ampere", "plug_ma", "fixed_ma"),
    [
        (1, 2, 3.5),
        (4, 2, 3.5),
        (7, 3.5, 3.5),
        (8, 4, 4),
        (10, 5, 5),
        (16, 5, 8),
        (20, 5, 10),
        (40, 5, 10),
    ],
)
def test_iec_61140(ampere: float, plug_ma: float, fixed_ma: float) -> None:
    """IEC 61140 as tabulated (FOUND-S). Plug: to 4 A 2 mA, to 10 A 0.5 mA/A, above 5 mA. Fixed: to 7 A
    3.5 mA, to 20 A 0.5 mA/A, above 10 mA."""
    pump = _part("pump", rated_v=240.0, rated_a=float(ampere))
    assert _value(pump, "IEC 61140", "plug, up to 32 A") == pytest.approx(plug_ma)
    assert _value(pump, "IEC 61140", "fixed or above 32 A") == pytest.approx(fixed_ma)


def test_insulation_floors() -> None:
    """UL 1261:2016 31: 50 000 ohm (FOUND-P). DGUV 203-071 annex 5: class I 1, with heating elements 0.3,
    class II 2 Mohm (FOUND-P)."""
    heater = limits_for("heater", _part("heater"))
    assert heater["insulation_stop_mohm"].value == 0.05
    assert heater["insulation_mohm"].value == 0.3
    assert limits_for("pump", _part("pump"))["insulation_stop_mohm"].value == 1.0
    plastic = _part("light", protective_class="II")
    assert limits_for("light", plastic)["insulation_stop_mohm"].value == 2.0


@pytest.mark.parametrize(("mohm", "ma"), [(0.05, 4.8), (1.0, 0.24), (0.3, 0.8)])
def test_an_insulation_pass_and_a_leakage_pass_are_different_things(mohm: float, ma: float) -> None:
    """Ohm's law at 240 V (COMPUTED): what an insulation floor lets flow."""
    assert 240.0 / mohm / 1000.0 == pytest.approx(ma)
    beyond = limits_for("heater", _part("heater"))["pass_ma"].value < ma
    assert beyond is (mohm < 1.0)


def test_a_plate_without_watts_or_amperes_has_no_such_limit() -> None:
    by_plate = next(one for one in REFERENCES if one.of == "kW")
    assert isinstance(by_plate, Reference)
    assert by_plate.value_ma(_part("heater", rated_v=240.0)) is None
    assert by_plate.value_ma(_part("heater", rated_v=240.0, rated_a=20.0)) == pytest.approx(3.6)
