"""Which part is it: the ranking against Bayes by hand, the plan against every possible plan."""

import itertools
from collections.abc import Iterator, Sequence

import numpy as np
import pytest
from scipy import stats

from procedures.beta import beta_cdf, beta_quantile
from procedures.errors import ProcedureError
from procedures.suspects import (
    CLUES,
    SHARES,
    SHOWS,
    WIRING,
    Found,
    Split,
    Suspect,
    expected_steps,
    order,
    rank,
)


def test_tables_are_distributions() -> None:
    assert sum(SHARES.values()) == pytest.approx(1.0)
    assert SHOWS.keys() == SHARES.keys()
    for row in SHOWS.values():
        assert len(row) == len(CLUES)
        assert sum(row) == pytest.approx(1.0)


def test_the_trade_starts_with_the_ozone_generator() -> None:
    """Common practice, no source: about half the ozone generator, then the heater."""
    ranked = rank([name for name in SHARES if name != WIRING])
    ozone = sum(one.chance for one in ranked if one.family.startswith("ozone"))
    assert ozone == pytest.approx(0.5)
    assert [one.family for one in ranked[:2]] == ["ozone_corona", "heater"]
    assert sum(one.chance for one in ranked) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("clue", "first"),
    [("on purge", "blower"), ("hot", "heater"), ("light switched", "light")],
)
def test_when_it_trips_is_a_clue(clue: str, first: str) -> None:
    assert rank(["heater", "pump", "blower", "light"], [clue])[0].family == first  # type: ignore[list-item]


def test_bayes_by_hand() -> None:
    """Two suspects and the wiring, one clue: (20·share + found)·P(clue)."""
    found = {"heater": Found(culprits=3), "pump": Found(culprits=1, comebacks=2)}
    ranked = {one.family: one for one in rank(["heater", "pump"], ["hot"], found)}
    weight = {"heater": 8.4 * 0.28, "pump": 4.2 * 0.14, WIRING: 1.2 * 0.04}
    for name, value in weight.items():
        assert ranked[name].chance == pytest.approx(value / sum(weight.values()))
    marginal = stats.beta(8.4, 13.8 - 8.4)
    assert ranked["heater"].share_low == pytest.approx(marginal.ppf(0.025))
    assert ranked["heater"].share_high == pytest.approx(marginal.ppf(0.975))


def test_a_shops_own_findings_outweigh_the_trades_shares() -> None:
    own = {"pump": Found(culprits=200)}
    assert rank(["ozone_corona", "heater", "pump"], found=own)[0].family == "pump"


def every_plan(names: Sequence[str]) -> Iterator[Split | str]:
    """Each binary tree over the suspects."""
    if len(names) == 1:
        yield names[0]
        return
    rest = names[1:]
    for size in range(len(rest)):
        for with_first in itertools.combinations(rest, size):
            left = [names[0], *with_first]
            right = [name for name in names if name not in left]
            for on, off in itertools.product(every_plan(left), every_plan(right)):
                yield Split(tuple(right), on, off)


@pytest.mark.parametrize("seed", range(5))
def test_no_other_plan_needs_fewer_steps(seed: int) -> None:
    """Exact enumeration of all plans for five suspects."""
    names = ["heater", "pump", "blower", "light", WIRING]
    chances = dict(zip(names, np.random.default_rng(seed).dirichlet(np.ones(5)), strict=True))
    plan = order([Suspect(name, float(chance), 0.0, 1.0) for name, chance in chances.items()])
    least = min(expected_steps(one, chances) for one in every_plan(names))
    assert expected_steps(plan, chances) == pytest.approx(least)


def splits(plan: Split | str) -> Iterator[Split]:
    if isinstance(plan, Split):
        yield plan
        yield from splits(plan.trips)
        yield from splits(plan.holds)


def test_wiring_stays_on_and_each_suspect_is_an_end() -> None:
    ranked = rank(["ozone_uv", "heater", "pump", "blower", "converter"], ["at random"])
    plan = order(ranked)
    assert all(WIRING not in split.off for split in splits(plan))
    ends = [end for s in splits(plan) for end in (s.trips, s.holds) if isinstance(end, str)]
    assert sorted(ends) == sorted(one.family for one in ranked)


def test_what_cannot_be_is_refused() -> None:
    for fitted, clues, words in (
        ([], [], "nothing is fitted"),
        (["sauna"], [], "no share"),
        (["heater"], ["loudly"], "no clue"),
    ):
        with pytest.raises(ProcedureError, match=words):
            rank(fitted, clues)  # type: ignore[arg-type]
    with pytest.raises(ProcedureError, match="none"):
        order([])


@pytest.mark.parametrize(("a", "b"), [(0.3, 19.7), (6.0, 14.0), (400.0, 3.0), (1.0, 1.0)])
def test_beta_distribution_agrees_with_scipy(a: float, b: float) -> None:
    for x in (0.001, 0.1, 0.5, 0.9, 0.999):
        assert beta_cdf(x, a, b) == pytest.approx(stats.beta.cdf(x, a, b), abs=1e-12)
    for p in (0.025, 0.5, 0.975):
        assert beta_quantile(p, a, b) == pytest.approx(stats.beta.ppf(p, a, b), abs=1e-9)


def test_beta_distribution_at_its_ends_and_beyond() -> None:
    assert (beta_cdf(-0.1, 2.0, 3.0), beta_cdf(1.1, 2.0, 3.0)) == (0.0, 1.0)
    for wrong in ((0.0, 1.0), (1.0, float("nan"))):
        with pytest.raises(ProcedureError, match="positive"):
            beta_cdf(0.5, *wrong)
    with pytest.raises(ProcedureError, match="0 to 1"):
        beta_quantile(1.5, 1.0, 1.0)
