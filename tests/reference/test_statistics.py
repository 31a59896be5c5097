"""Statistics of verdicts, held against published worked examples and scipy.stats.

Newcombe, R. G., "Two-sided confidence intervals for the single proportion: comparison of seven methods", Statistics in
Medicine 17 (1998), 857–872, Table I, method 3 (the score interval without continuity correction, Wilson 1927). The four
examples and their limits are given here from memory of that table.
"""

from statistics import median as library_median

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, norm

from liftwright.evidence.intervals import Z_95, fewest_for_certainty, median, share, sign_test

NEWCOMBE = [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)]


@pytest.mark.parametrize(("hits", "of", "low", "high"), NEWCOMBE)
def test_the_score_interval_is_the_published_one(hits: int, of: int, low: float, high: float) -> None:
    found = share(hits, of)
    assert (round(found.low, 4), round(found.high, 4)) == (low, high)


def test_the_quantile_is_the_normals() -> None:
    assert pytest.approx(norm.ppf(0.975), abs=1e-15) == Z_95


@given(st.integers(1, 2000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_the_score_interval_is_that_of_the_library(pair: tuple[int, int]) -> None:
    """scipy.stats.binomtest(...).proportion_ci(method="wilson")."""
    hits, of = pair
    theirs = binomtest(hits, of).proportion_ci(confidence_level=0.95, method="wilson")
    found = share(hits, of)
    assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high), abs=1e-12)


def test_nothing_counted_says_nothing() -> None:
    assert (share(0, 0).low, share(0, 0).high) == (0.0, 1.0)


@pytest.mark.parametrize(("hits", "of"), [(-1, 3), (4, 3)])
def test_what_is_no_share_is_refused(hits: int, of: int) -> None:
    with pytest.raises(ValueError, match="no share"):
        share(hits, of)


@given(st.integers(0, 300), st.integers(0, 300))
def test_the_sign_test_is_the_librarys_exact_binomial_test(more: int, fewer: int) -> None:
    """scipy.stats.binomtest(more, more + fewer, 0.5), two-sided."""
    theirs = binomtest(more, more + fewer, 0.5).pvalue if more + fewer else 1.0
    assert sign_test(more, fewer) == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize(("more", "fewer", "p"), [(0, 0, 1.0), (5, 0, 0.0625), (6, 0, 0.03125), (1, 7, 18 / 256)])
def test_the_sign_test_by_hand(more: int, fewer: int, p: float) -> None:
    """2 (C(8,0) + C(8,1)) / 2⁸ = 18/256, and so on."""
    assert sign_test(more, fewer) == pytest.approx(p, abs=1e-15)


def test_fewer_than_six_pairs_can_never_be_certain() -> None:
    """2/2⁵ = 0.0625 is above 0.05, 2/2⁶ is below."""
    assert fewest_for_certainty() == 6


@given(st.lists(st.integers(0, 5), min_size=1))
def test_the_median_is_that_of_the_standard_library(values: list[int]) -> None:
    assert median(values) == library_median(values)


def test_the_median_of_nothing_is_unknown() -> None:
    assert median([]) is None
