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
