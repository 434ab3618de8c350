"""The exact binomial bound against scipy's beta distribution and the rule of three."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from procedures.binomial import upper_bound
from procedures.errors import ProcedureError


@given(st.integers(1, 3000), st.data(), st.sampled_from((0.9, 0.95, 0.99)))
def test_it_is_the_quantile_of_the_beta_distribution(
    tries: int, data: st.DataObject, confidence: float
) -> None:
    """Clopper-Pearson's upper bound is the quantile of Beta(hits + 1, tries - hits): scipy.stats.beta."""
    hits = data.draw(st.integers(0, min(tries - 1, 200)))
    published = beta.ppf(confidence, hits + 1, tries - hits)
    assert upper_bound(hits, tries, confidence) == pytest.approx(published, rel=1e-6)


@pytest.mark.parametrize(("tries", "bound"), [(20, 0.1391), (100, 0.0295), (2000, 0.00150)])
def test_nothing_seen_is_the_rule_of_three(tries: int, bound: float) -> None:
    """By hand: 1 - 0.05**(1/n)."""
    assert upper_bound(0, tries) == pytest.approx(bound, rel=4e-3)


def test_nothing_to_judge_by_excludes_nothing() -> None:
    assert upper_bound(0, 0) == 1.0
    assert upper_bound(3, 3) == 1.0


@pytest.mark.parametrize("counts", [(-1, 3), (4, 3)])
def test_counts_that_cannot_be(counts: tuple[int, int]) -> None:
    with pytest.raises(ProcedureError):
        upper_bound(*counts)


@pytest.mark.parametrize(
    ("hits", "tries", "two_sided", "low", "high"),
    [
        # scipy's documentation of BinomTestResult.proportion_ci (FOUND-P)
        (7, 50, 0.95, 0.05819170033997342, 0.26739600249700846),
        # NIST handbook 7.2.4.2: set-up FOUND-P, digits from memory and computed
        (4, 20, 0.90, 0.0713539, 0.4010281),
        # the cases of Newcombe 1998 (FOUND-S); exact limits computed with scipy
        (81, 263, 0.95, 0.25274, 0.36762),
        (15, 148, 0.95, 0.05784, 0.16165),
        (0, 20, 0.95, 0.0, 0.16843),
        (1, 29, 0.95, 0.00087, 0.17764),
    ],
)
def test_published_intervals(
    hits: int, tries: int, two_sided: float, low: float, high: float
) -> None:
    """Clopper-Pearson both ways: the lower bound is one less the upper bound of what was missed."""
    each_side = (1.0 + two_sided) / 2.0
    assert upper_bound(hits, tries, each_side) == pytest.approx(high, abs=6e-6)
    assert 1.0 - upper_bound(tries - hits, tries, each_side) == pytest.approx(low, abs=6e-6)


@pytest.mark.parametrize(
    ("tries", "bound"),
    [(10, 0.25887), (20, 0.13911), (30, 0.09503), (59, 0.04951), (100, 0.02951), (300, 0.009936)],
)
def test_rule_of_three_table(tries: int, bound: float) -> None:
    """Hanley and Lippman-Hand 1983 (from memory); figures computed: 1 - 0.05^(1/n), about 3/n."""
    assert upper_bound(0, tries) == pytest.approx(bound, abs=6e-6)
    assert upper_bound(0, tries) < 3.0 / tries


@pytest.mark.parametrize(
    ("confidence", "share", "tries"), [(0.95, 0.95, 59), (0.95, 0.99, 299), (0.90, 0.95, 45)]
)
def test_how_many_without_a_failure_show_a_share(
    confidence: float, share: float, tries: int
) -> None:
    """Zero-failure sample sizes (computed): 95/95 takes 59, 95/99 takes 299, 90/95 takes 45."""
    assert upper_bound(0, tries, confidence) <= 1.0 - share
    assert upper_bound(0, tries - 1, confidence) > 1.0 - share
