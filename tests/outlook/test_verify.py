"""Scores against their definitions, closed forms and SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray
from scipy import stats

from monitor.outlook import verify

FLOATS = st.floats(-50, 50, allow_subnormal=False)


@given(arrays(np.float64, st.integers(1, 30), elements=FLOATS), FLOATS)
def test_crps_is_its_definition(members: NDArray[np.float64], observed: float) -> None:
    """mean|x - y| less half of mean|x - x'|, written out (Gneiting and Raftery 2007, eq. 21)."""
    direct = np.abs(members - observed).mean() - 0.5 * np.abs(members[:, None] - members[None, :]).mean()
    assert verify.crps(members, np.array(observed)) == pytest.approx(direct, abs=1e-9)
    assert verify.crps(members, np.array(observed)) >= -1e-9


@given(FLOATS, FLOATS)
def test_crps_of_one_member_is_the_absolute_error(a: float, b: float) -> None:
    assert verify.crps(np.array([a]), np.array(b)) == pytest.approx(abs(a - b))


@pytest.mark.parametrize("z", [-2.5, -0.3, 0.0, 1.0, 3.0])
def test_crps_of_many_normal_members_is_the_closed_form(z: float) -> None:
    """sigma [z (2 Phi(z) - 1) + 2 phi(z) - 1/sqrt(pi)] (Gneiting et al. 2005)."""
    members = stats.norm.ppf((np.arange(20_000) + 0.5) / 20_000)
    closed = z * (2 * stats.norm.cdf(z) - 1) + 2 * stats.norm.pdf(z) - 1 / np.sqrt(np.pi)
    assert verify.crps(members, np.array(z)) == pytest.approx(closed, rel=2e-3)


def test_equally_likely_members_cover_what_they_say() -> None:
    observed = np.random.default_rng(1).standard_normal(40_000)
    members = np.tile(stats.norm.ppf((np.arange(20) + 0.5) / 20), (40_000, 1))
    for low, high in ((0.1, 0.9), (0.25, 0.75)):
        assert verify.inside(members, observed, low, high).mean() == pytest.approx(high - low, abs=0.01)


@given(st.integers(1, 300), st.floats(0.01, 0.99))
def test_the_bar_is_that_of_the_binomial(n: int, p: float) -> None:
    low, high = verify.binomial_bar(n, p)
    assert low * n == pytest.approx(stats.binom.ppf(0.05, n, p), abs=1.0)
    assert high * n == pytest.approx(stats.binom.ppf(0.95, n, p), abs=1.0)


def test_reliability_of_true_odds_is_consistent() -> None:
    rng = np.random.default_rng(3)
    odds = rng.beta(0.4, 1.5, 20_000)
    came = rng.random(20_000) < odds
    bins = verify.reliability(odds, came)
    assert len(bins) == 11
    assert sum(b.n for b in bins) == 20_000
    assert sum(b.consistent for b in bins) >= 8  # nine in ten bars hold by their own making
    sure = verify.reliability(np.clip(odds * 2.0, 0, 1), came)
    assert sum(b.consistent for b in sure) <= 4


def test_brier_adds_up_where_odds_are_the_bins() -> None:
    rng = np.random.default_rng(4)
    odds = rng.integers(0, 11, 5000) / 10.0
    came = rng.random(5000) < odds
    score = verify.brier(odds, came)
    assert score.score == pytest.approx(np.mean((odds - came) ** 2))
    assert score.reliability - score.resolution + score.uncertainty == pytest.approx(score.score, abs=1e-12)
    assert score.skill == pytest.approx(1 - score.score / score.uncertainty)
    assert verify.brier(np.array([0.2, 0.1]), np.array([False, False])).skill is None
