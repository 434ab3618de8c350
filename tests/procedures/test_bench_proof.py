"""The bench proof over the plant: passes a good bench, refuses each kind of bad one."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from drivers.virtual.plant import Plant
from procedures.bench_proof import bench_proof, proof_declaration
from procedures.proof_leakage import REFERENCE_OHM
from procedures.scan import FEEDS, PROOF_OUTPUTS, Check
from tests.procedures.harness import Follower, drive, proved, setup
from tests.procedures.test_demo_parts import SHELF


def _refused(checks: tuple[Check, ...]) -> set[str]:
    return {check.name for check in checks if check.met is False}


@pytest.mark.parametrize("seed", range(1, 9))
def test_a_good_bench_is_proved_and_its_fixture_measured(seed: int) -> None:
    plant = Plant(SHELF, seed=seed)
    proof, outcome = proved(plant, setup())
    assert proof.passed, outcome.verdict.reason
    assert outcome.verdict.verdict == "pass"
    assert proof.unproved == ()
    assert set(proof.fixture_ma) == set(FEEDS)
    for feed, (res_ma, cap_ma) in proof.fixture_ma.items():
        stray_ma = plant.fixture.stray_s[feed].imag * 120.0 * 1000.0
        assert (res_ma, cap_ma) == pytest.approx((0.0, stray_ma), abs=0.008)
    assert plant.account.hazards == 0
    assert plant.gfci.closed


def test_the_trip_is_timed_at_the_measured_current() -> None:
    """6.3 to 6.6 mA must trip within (20/I)^1.43: 5.22 to 4.88 s (UL 943 as quoted, computed)."""
    proof, _ = proved(Plant({}, seed=1), setup())
    by_name = {check.name: check for check in proof.checks}
    for leg in (1, 2):
        ma = by_name[f"trips, leg {leg}, current"].value
        seconds = by_name[f"trips, leg {leg}"].value
        assert ma is not None
        assert seconds is not None
        assert 6.3 <= ma <= 6.6
        assert 0.5 < seconds < (20.0 / ma) ** 1.43 < 5.23


def _dull(plant: Plant) -> None:
    plant.gfci.threshold_ma = 7.0


def _slow(plant: Plant) -> None:
    plant.gfci.share = 1.5


def _nervous(plant: Plant) -> None:
    plant.gfci.threshold_ma = 3.0


def _unbalanced(plant: Plant) -> None:
    """0.01 % at 20 A fakes 2 mA."""
    plant.fixture = replace(plant.fixture, imbalance=1e-4)


def _wet(plant: Plant) -> None:
    """0.2 mA of the bench's own on every feed."""
    plant.fixture = replace(
        plant.fixture, stray_s={feed: complex(0.2) / 120_000.0 for feed in plant.fixture.stray_s}
    )


def _false_reference(plant: Plant) -> None:
    """Seen from the meter the same as a gain that is 10 % off."""
    known = {**plant.fixture.reference_s, "reference_resistive": complex(1.1 / REFERENCE_OHM)}
    plant.fixture = replace(plant.fixture, reference_s=known)


def _part_left_in(plant: Plant) -> None:
    plant.mount(1, "LT12-8001")


@pytest.mark.parametrize(
    ("spoil", "refused"),
    [
        (_dull, {"trips, leg 1", "trips, leg 2"}),
        (_slow, {"trips, leg 1", "trips, leg 2"}),
        (_nervous, {"holds 10 s, leg 1", "holds 10 s, leg 2"}),
        (_unbalanced, {"residual zero, line line, second sensor"}),
        (_wet, {"fixture leakage, both hot", "fixture leakage, line neutral"}),
        (_false_reference, {"reference resistive"}),
        (_part_left_in, {"bay empty, bond open"}),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_a_bad_bench_is_refused_by_the_check_that_it_fails(
    spoil: Callable[[Plant], None], refused: set[str]
) -> None:
    plant = Plant(SHELF, seed=1)
    spoil(plant)
    proof, outcome = proved(plant, setup())
    assert not proof.passed
    assert outcome.verdict.verdict == "fail"
    assert refused <= _refused(proof.checks)


def test_a_board_whose_watchdog_is_fed_by_something_else_is_refused() -> None:
    proof, _ = proved(Plant({}, seed=1), setup(), deaf_watchdog=True)
    assert "watchdog drops out" in _refused(proof.checks)
    assert not proof.passed


@pytest.mark.parametrize("output", PROOF_OUTPUTS)
def test_what_is_not_fitted_is_recorded_as_not_done_with_what_it_leaves_unproved(
    output: str,
) -> None:
    bench = setup(proof=frozenset(PROOF_OUTPUTS) - {output})
    assert output not in proof_declaration(bench).proof
    proof, _ = proved(Plant({}, seed=1), bench)
    not_done = [check for check in proof.checks if check.met is None]
    assert any(f"{output} is not fitted" in check.words for check in not_done)
    assert proof.passed
    assert proof.unproved


def test_an_injector_that_can_not_be_read_proves_nothing() -> None:
    """A missing reading is not 0 mA: the downstream reference is not absent because of it."""
    plant, bench = Plant({}, seed=1), setup()
    follower = Follower(plant, proof_declaration(bench))
    follower.tamper = lambda values: {k: v for k, v in values.items() if k != "injection_ma"}
    outcome = drive(bench_proof(bench), follower)
    assert outcome.disposition == ""  # what is proposed for parts is not for a bench
    assert outcome.verdict.verdict == "fail"
    assert "neutral reference downstream" in _refused(outcome.checks)


def test_the_references_are_compared_as_vectors() -> None:
    proof, _ = proved(Plant({}, seed=1), setup())
    by_name = {check.name: check.value for check in proof.checks}
    assert by_name["reference resistive"] == pytest.approx(120_000.0 / 160_000.0, abs=0.02)
    farad_ma = 120.0 * math.tau * 60.0 * 16.6e-9 * 1000.0
    assert by_name["reference capacitive"] == pytest.approx(farad_ma, abs=0.02)
