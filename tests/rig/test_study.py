"""The capability study: its draws, its decisions, its sums, its command."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from procedures.decide import RULES
from rig import study as study_room
from rig.errors import Exit
from rig.study import Results, block, equal_soak, joined, study
from rig.study_bench import FAIL, NONE, PASS, decided
from rig.study_draw import SOUND, Parts, classes, draw
from rig.study_others import breaker, plain
from rig.study_population import load
from rig.study_table import Rate, claims, culprits, curve, intermittents, rows, ways

POPULATION, _ = load()
NAMES = [one.name for one in classes(POPULATION)]


@pytest.fixture(scope="module")
def drawn() -> Parts:
    return draw(POPULATION, 20_000, np.random.default_rng(3))


@pytest.fixture(scope="module")
def results() -> Results:
    return joined([block(None, 1, number, 400) for number in range(2)])


def test_draws_are_what_the_population_says(drawn: Parts) -> None:
    faulty = drawn.cls != SOUND
    assert faulty.mean() == pytest.approx(POPULATION.truth.faulty, abs=0.02)
    truth = drawn.truth_ma[faulty]
    assert truth.min() >= 0.05
    assert truth.max() <= 20.0
    flat = stats.kstest(np.log(truth), stats.uniform(math.log(0.05), math.log(400.0)).cdf)
    assert flat.pvalue > 0.001
    assert ((truth > 0.5) & (truth < 2.0)).mean() >= 0.2
    first, second = np.array([one.name for one in POPULATION.family])[drawn.family], drawn.family
    assert (first == "heater").mean() == pytest.approx(0.25, abs=0.02)
    assert second.max() == len(POPULATION.family) - 1


def test_service_is_never_better_than_the_bench(drawn: Parts) -> None:
    one_way = np.array([one.name == "converter" for one in POPULATION.family])[drawn.family]
    capacitive = drawn.capacitive_ma / np.where(one_way, 2.0, 1.0)
    seen = np.hypot(drawn.resistive_ma, capacitive)
    assert (seen <= drawn.truth_ma * 1.0000001).all()
    assert (drawn.truth_ma <= seen * 1.1 * 2.0000001).all()


def test_meters_stay_within_their_statements_and_are_correlated(drawn: Parts) -> None:
    off = (drawn.first - 1.0, drawn.second - 1.0)
    drift = 4.0 * POPULATION.instruments.drift_percent / 100.0
    assert np.abs(off[0]).max() <= 0.010 + drift
    assert np.abs(off[1]).max() <= 0.015 + drift
    assert 0.1 < np.corrcoef(*off)[0, 1] < 0.9


def part(**changes: Any) -> Parts:
    """One sound circulation pump on a perfect bench, but for what is changed."""
    family = [one.name for one in POPULATION.family].index("circulation_pump")
    zeros = dict.fromkeys(Parts.__dataclass_fields__, np.zeros(1))
    ones = ("first", "second", "plain", "volts", "volts_error", "resistor", "left", "cold")
    base = {**zeros, **{name: np.ones(1) for name in ones}, "threshold_ma": np.full(1, 5.0)}
    base |= {"family": np.array([family]), "cls": np.array([SOUND]), "failed": np.zeros(1, int)}
    base |= {"bench_ms_cm": np.full(1, 2.75), "tap_ms_cm": np.full(1, 0.5)}
    return Parts(**{**base, **{name: np.asarray([value]) for name, value in changes.items()}})


def verdict(parts: Parts) -> tuple[int, str]:
    found = decided(parts, POPULATION, np.random.default_rng(1), retest=False)
    return int(found.verdict[0]), RULES[int(found.code[0])].name


WINDING = NAMES.index("circulation pump: winding")


def test_single_parts_by_hand() -> None:
    """Leakage against the limits, on a bench without errors."""
    assert verdict(part(capacitive_ma=0.10)) == (PASS, "pass")
    assert verdict(part(capacitive_ma=0.745)) == (NONE, "too close to call")
    assert verdict(part(capacitive_ma=1.1)) == (NONE, "retest")
    assert verdict(part(capacitive_ma=1.6)) == (FAIL, "above the fail limit")
    leaky = {"cls": WINDING, "resistive_ma": 0.3, "at": 0.5}  # 0.4 Mohm
    assert verdict(part(**leaky)) == (FAIL, "rejected")


@pytest.mark.parametrize("sensor", [1, 2])
@pytest.mark.parametrize("left", [0.0, 0.5])
def test_a_failed_sensor_gives_no_verdict(sensor: int, left: float) -> None:
    assert verdict(part(capacitive_ma=0.10, failed=sensor, left=left)) == (NONE, "not proved")


def test_one_retest_after_a_change_and_then_no_more() -> None:
    close = part(capacitive_ma=0.80)
    found = decided(close, POPULATION, np.random.default_rng(1))
    assert bool(found.retested[0])
    assert RULES[int(found.code[0])].name == "still no pass"
    once = decided(close, POPULATION, np.random.default_rng(1), retest=False)
    assert once.minutes[0] < found.minutes[0] <= 2.0 * once.minutes[0]


def test_breaker_and_plain_reading_by_hand() -> None:
    rng = np.random.default_rng(1)
    leaky = {"cls": WINDING, "at": 0.0, "truth_ma": 6.0}
    assert breaker(part(resistive_ma=6.0, **leaky), POPULATION, rng)[0] == FAIL
    assert breaker(part(resistive_ma=4.9, **leaky), POPULATION, rng)[0] == PASS
    hidden = {**leaky, "at": 0.5}  # leg to leg hides the middle
    assert breaker(part(resistive_ma=15.0, **hidden), POPULATION, rng)[0] == PASS
    assert plain(part(resistive_ma=0.74, **leaky), POPULATION, rng)[0] == PASS
    assert plain(part(resistive_ma=0.76, **leaky), POPULATION, rng)[0] == FAIL


def test_a_breaker_is_blind_to_dc_and_a_plain_reading_is_not() -> None:
    family = [one.name for one in POPULATION.family].index("converter")
    board = {"family": family, "cls": NAMES.index("converter: wet board"), "at": 0.0}
    parts = part(resistive_ma=5.5, dc=2.0 / math.pi, threshold_ma=5.0, **board)
    assert breaker(parts, POPULATION, np.random.default_rng(1))[0] == PASS
    assert plain(parts, POPULATION, np.random.default_rng(1))[0] == FAIL


def test_figures_do_not_depend_on_the_number_of_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(study_room, "BLOCK", 120)
    one = joined(list(study(None, 260, 4, 1)))
    two = joined(list(study(None, 260, 4, 2)))
    assert (one.bench == two.bench).all()
    assert (one.truth_ma == two.truth_ma).all()
    assert (joined(list(study(None, 100, 5, 1))).truth_ma != one.truth_ma[:100]).any()


def test_rates_are_counts_with_exact_bounds(results: Results) -> None:
    bench = ways(results)[0]
    found = claims(results, bench)["false accept above 1.5 mA"]
    great = (results.truth_ma > 1.5) & ~results.intermittent
    assert found == Rate(int(((bench.verdict == PASS) & great).sum()), int(great.sum()))
    exact = stats.beta.ppf(0.95, found.hits + 1, found.parts - found.hits)
    assert found.bound == pytest.approx(exact)


def test_tables_add_up(results: Results) -> None:
    names = command_names()
    kept = ways(results)
    listed = list(rows(results, names, kept[:1]))
    assert sum(row.parts for row in listed) == results.size
    steady = [row for row in listed if "intermittent" not in row.fault]
    whole = claims(results, kept[0])["false accept above 1.5 mA"].hits
    assert sum(row.false_accept.hits for row in steady) == whole
    assert sum(culprits(results, names, kept[0]).values()) == whole
    _, passed, parts = curve(results, kept[0])
    assert int(parts.sum()) == int((~results.intermittent & (results.truth_ma >= 0.05)).sum())
    assert np.nanmax(passed) <= 1.0
    assert set(intermittents(results, kept)) <= {way.name for way in kept}


def command_names() -> dict[int, str]:
    from rig.study import class_names

    return class_names(POPULATION)


def test_the_bench_is_wrong_less_often_than_the_others(results: Results) -> None:
    kept = {way.name: claims(results, way) for way in ways(results)}
    bench, breaks, reads = (kept[name] for name in ("bench", "breaker technique", "plain reading"))
    claim = "false accept above 1.5 mA"
    assert bench[claim].hits < reads[claim].hits < breaks[claim].hits


def test_equal_soak_is_the_shortest_that_accepts_no_more(results: Results) -> None:
    found = equal_soak(results)
    great = (results.truth_ma > 1.5) & ~results.intermittent
    wrong = (results.fixed[great] == PASS).sum(axis=0)
    most = int((results.bench[great] == PASS).sum())
    assert found is None or (wrong[found] <= most and (wrong[:found] > most).all())


def test_command_in_json_and_on_screen(cli: Any, tmp_path: Path) -> None:
    ran = cli("study", "--parts", "150", "--jobs", "1", "--json")
    assert ran.code == Exit.DONE
    assert (ran.json["parts"], ran.json["whole"], ran.json["simulated"]) == (150, True, True)
    assert json.dumps(ran.json, allow_nan=False)
    again = cli("study", "--parts", "150", "--jobs", "1", "--json").json
    assert again == ran.json
    seen = cli("study", "--parts", "100", "--jobs", "1", "--plot", tmp_path / "oc.svg")
    assert "SIMULATED: 100 parts" in seen.out
    assert "sound" in seen.out
    assert "SIMULATED" in (tmp_path / "oc.svg").read_text()


def test_an_interrupt_leaves_the_figures_so_far(cli: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from rig import study as room

    def cut(*_: Any) -> Any:
        yield block(None, 1, 0, 200)
        raise KeyboardInterrupt

    monkeypatch.setattr(room, "study", cut)
    ran = cli("study", "--parts", "4000", "--json")
    assert (ran.code, ran.json["parts"], ran.json["whole"]) == (Exit.NO_VERDICT, 200, False)
    assert "so far" in ran.err


def test_wrong_use_is_told(cli: Any, tmp_path: Path) -> None:
    assert cli("study", "--parts", "0").code == Exit.WRONG_USE
    assert "can't be read" in cli("study", "--population", tmp_path / "no.toml").err
