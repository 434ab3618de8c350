"""Parts that run together: sums, cancellation, the worst combination, what to replace."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from procedures.errors import ProcedureError
from procedures.together import Leg, Load, combined_u, together
from procedures.trip import Device


def load(name: str, res: float, cap: float = 0.0, leg: Leg = "1", u: float = 0.0) -> Load:
    return Load(name, res, cap, u, leg)


# Worked by hand (derived): 1.6 + 1.9 mA in phase and 1.4 mA at right angles on one leg
WORKED = (load("heater", 1.6), load("ozone", 1.9), load("converter", 0.0, 1.4))


def test_worked_example_by_hand() -> None:
    assert together(WORKED).worst.magnitude_ma == pytest.approx(3.77, abs=0.005)
    assert together(WORKED, supply=1.1).worst.magnitude_ma == pytest.approx(4.15, abs=0.005)
    assert together(WORKED).worst.chance == 0.0
    more = (*WORKED, load("pump", 0.6))
    assert together(more).worst.magnitude_ma == pytest.approx(4.33, abs=0.005)
    assert together(more).worst.chance == pytest.approx((math.hypot(4.1, 1.4) - 4.0) / 2.0)


def test_leaks_on_opposite_legs_cancel_and_unplugging_one_can_trip() -> None:
    found = together((load("heater", 4.5), load("blower", 3.0, leg="2")))
    assert found.all_on.magnitude_ma == pytest.approx(1.5)
    assert found.all_on.chance == 0.0
    assert found.worst.running == ("heater",)
    assert found.worst.chance == pytest.approx(0.25)
    (pair,) = found.hiding
    assert pair.names == ("heater", "blower")
    assert pair.hidden_ma == pytest.approx(3.0)


def test_a_part_between_the_legs_counts_the_worse_way_round() -> None:
    both = (load("heater", -2.0, leg="both"), load("pump", 3.0))
    assert together(both).worst.magnitude_ma == pytest.approx(5.0)


def test_what_cannot_be_switched_off_always_runs() -> None:
    plugged = replace(load("converter", 2.0, leg="2"), always=True)
    found = together((load("pump", 3.0), plugged))
    assert found.worst.running == ("converter",)  # alone it leaks more than with the pump


def test_replacing_the_one_that_helps_most_comes_first() -> None:
    found = together((*WORKED, load("pump", 2.0)))
    assert found.replacements[0].name == "pump"
    least = [one.magnitude_ma for one in found.replacements]
    assert least == sorted(least)
    gone = together(WORKED).worst
    assert found.replacements[0].magnitude_ma == pytest.approx(gone.magnitude_ma)


def test_worst_is_what_trying_each_combination_finds() -> None:
    """Exhaustively, by complex numbers, with another loop than the search's own."""
    draw = np.random.default_rng(7)
    for _ in range(20):
        vectors = draw.uniform(-2.0, 2.0, (6, 2))
        legs = draw.choice(["1", "2"], 6)
        loads = [
            Load(f"part {n}", float(v[0]), float(v[1]), 0.0, leg)
            for n, (v, leg) in enumerate(zip(vectors, legs, strict=True))
        ]
        signed = [
            complex(*v) * (-1 if leg == "2" else 1) for v, leg in zip(vectors, legs, strict=True)
        ]
        sums = [abs(sum(some, 0j)) for r in range(7) for some in itertools.combinations(signed, r)]
        assert together(loads).worst.magnitude_ma == pytest.approx(max(sums))


@pytest.mark.parametrize("scale", [0.6, 0.95, 1.1, 1.4])
@pytest.mark.parametrize("correlation", [0.0, 1.0])
def test_chance_agrees_with_monte_carlo(scale: float, correlation: float) -> None:
    """10^5 draws of all vectors and of the threshold; their own error is at most 0.0016 (one sigma)."""
    draw, n = np.random.default_rng(11), 100_000
    loads = [replace(one, u_ma=0.4) for one in (*WORKED, load("pump", 0.6))]
    vectors = np.array([(one.resistive_ma, one.capacitive_ma) for one in loads])
    own = draw.normal(0.0, 0.2, (n, 4, 2))
    if correlation == 1.0:
        own[:] = own[:, :1]
    total = ((vectors + own) * scale).sum(axis=1)
    trips = np.hypot(*total.T) > draw.uniform(4.0, 6.0, n)
    found = together(loads, supply=scale, correlation=correlation).all_on
    assert found.chance == pytest.approx(trips.mean(), abs=0.006)


def test_uncertainties_combine_by_their_correlation() -> None:
    """GUM 5.2.2: independent by squares, fully correlated by sums."""
    assert combined_u([3.0, 4.0], 0.0) == pytest.approx(5.0)
    assert combined_u([3.0, 4.0], 1.0) == pytest.approx(7.0)


def test_an_rcd_may_stand_in_for_the_gfci() -> None:
    assert together(WORKED, Device("A", 30.0)).worst.chance == 0.0


def test_what_cannot_be_is_refused() -> None:
    wrong = {
        "1 to 12": (),
        "twice": (load("a", 1.0), load("a", 1.0)),
        "finite": (load("a", math.nan),),
        "one of": (Load("a", 1.0, 0.0, 0.0, "3"),),  # type: ignore[arg-type]
    }
    for words, loads in wrong.items():
        with pytest.raises(ProcedureError, match=words):
            together(loads)
    with pytest.raises(ProcedureError, match="check"):
        together(WORKED, supply=0.0)
