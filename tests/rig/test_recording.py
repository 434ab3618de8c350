"""A part to a record's integers and back; units; exit codes of the rooms' errors."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import Silent
from procedures.errors import UnknownFamily
from procedures.scan import QUANTITIES, Part
from results.errors import MixedHome
from rig.errors import BenchFileProblems, Exit, LockedOut, Problem, RigError, exit_code, is_known
from rig.recording import part_from_body, part_to_body
from rig.units import UNITS, conversion, convertible


def test_part_in_integers() -> None:
    part = Part("P-0004", "pump", rated_v=240.0, rated_a=10.0, low_a=3.5, speeds=2, lead_ohm=0.06)
    body = part_to_body(part)
    amounts = {key: body.get(key) for key in ("rated_mv", "rated_ma", "low_ma", "lead_mohm")}
    assert amounts == {"rated_mv": 240_000, "rated_ma": 10_000, "low_ma": 3_500, "lead_mohm": 60}
    assert "rated_mw" not in body  # not given is left out, never 0
    assert "rated_trip_ua" not in body
    assert "number" not in body
    assert all(type(value) in (int, str, bool) for value in body.values())


amount = st.none() | st.integers(1, 10**8).map(lambda thousandths: thousandths / 1000)


@given(
    rated_w=amount,
    rated_a=amount,
    trip=amount,
    serial=st.text(max_size=20),
    warranty=st.booleans(),
    protective_class=st.sampled_from(["I", "II"]),
)
def test_round_trip(
    rated_w: float | None,
    rated_a: float | None,
    trip: float | None,
    serial: str,
    warranty: bool,
    protective_class: str,
) -> None:
    part = Part(
        "P-0001",
        "heater",
        rated_w=rated_w,
        rated_a=rated_a,
        rated_trip_ma=trip,
        serial=serial,
        warranty=warranty,
        protective_class="II" if protective_class == "II" else "I",
    )
    assert part_from_body("P-0001", part_to_body(part)) == part


def test_not_finite_is_refused() -> None:
    with pytest.raises(RigError, match="rated_w: nan is not a finite number"):
        part_to_body(Part("P-0001", "heater", rated_w=float("nan")))


def test_later_keys_are_ignored() -> None:
    body = {**part_to_body(Part("", "light")), "part": "P-0009", "amends": "R-000001"}
    assert part_from_body("P-0009", body).family == "light"


# ---- units: by hand, prefixes and °F after NIST SP 811 (2008) ----------------------------------------


@pytest.mark.parametrize(
    ("value", "unit", "target", "wanted"),
    [
        (0.75, "A", "mA", 750.0),
        (750.0, "µA", "mA", 0.75),
        (750.0, "uA", "mA", 0.75),
        (1500.0, "mV", "V", 1.5),
        (300.0, "kohm", "Mohm", 0.3),
        (0.5, "Mohm", "ohm", 500_000.0),
        (5.5, "kW", "W", 5500.0),
        (2700.0, "uS/cm", "mS/cm", 2.7),
        (212.0, "°F", "°C", 100.0),
        (-40.0, "°F", "°C", -40.0),
        (60.0, "Hz", "Hz", 60.0),
    ],
)
def test_conversion(value: float, unit: str, target: str, wanted: float) -> None:
    assert conversion(unit, target).apply(value) == pytest.approx(wanted, rel=1e-12)


def test_every_quantity_has_units() -> None:
    for name, unit in QUANTITIES.items():
        assert unit in convertible(unit), name


def test_other_dimension_is_refused() -> None:
    with pytest.raises(ValueError, match="V is no unit of current"):
        conversion("V", "mA")
    assert "V" not in convertible("mA")
    assert len(UNITS) == 16


# ---- exit codes --------------------------------------------------------------------------------------


def test_each_room_has_a_code() -> None:
    assert exit_code(Silent("line", "no reply")) == Exit.WRONG_USE
    assert exit_code(UnknownFamily("family", "none")) == Exit.WRONG_USE
    assert exit_code(MixedHome("home", "holds real records")) == Exit.WRONG_USE
    assert exit_code(LockedOut("bench", "locked out")) == Exit.NOT_READY
    assert is_known(Silent("line", "no reply"))
    assert not is_known(ZeroDivisionError("x"))


def test_problem_in_one_line() -> None:
    problem = Problem("b.toml", 7, "bench.bay", "unknown key 'bay'", "bays, id", "bays")
    words = "b.toml:7: bench.bay: unknown key 'bay'; allowed: bays, id; did you mean bays?"
    assert str(problem) == words
    assert str(BenchFileProblems([problem, Problem("b.toml", 2, "a", "x")])) == (
        f"b.toml:2: a: x\n{words}"
    )
