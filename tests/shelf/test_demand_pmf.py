"""Demand in pieces: distributions against scipy, expectations against plain sums."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pitwise.shelf.demand_pmf import MOST_PIECES, Pmf
from pitwise.shelf.pmf_file import read_pmf
from pitwise.shelf.refusal import BadPmfError, OutOfRangeError, StockError, TooLargeError
from pitwise.trade.given import InputError

weights = st.lists(st.integers(0, 50), min_size=1, max_size=12).filter(any)


def pmf_of(counts: list[int]) -> Pmf:
    return Pmf(np.array(counts) / sum(counts))


@pytest.mark.parametrize("mean", [1e-6, 0.03, 0.7, 1.0, 6.0, 49.5, 3e3, 2e5])
def test_poisson_is_scipys_in_body_and_tail(mean: float) -> None:
    got = Pmf.poisson(mean)
    assert got.mean == pytest.approx(mean, rel=1e-11)
    assert got.variance == pytest.approx(mean, rel=1e-9)
    far = np.array([int(mean + c * math.sqrt(mean)) for c in (-5, -1, 0, 1, 3, 6)])
    assert got.cdf(far) == pytest.approx(stats.poisson.cdf(far, mean), rel=1e-9, abs=1e-30)
    assert got.tail(far) == pytest.approx(stats.poisson.sf(far, mean), rel=1e-9)
    for share in (0.01, 0.5, 0.9, 0.999, 1 - 1e-12):
        assert got.quantile(share) == stats.poisson.ppf(share, mean)


@pytest.mark.parametrize(("mean", "variance"), [(0.2, 0.5), (3, 3.1), (3, 40), (200, 900)])
def test_gamma_poisson_is_scipys(mean: float, variance: float) -> None:
    got = Pmf.gamma_poisson(mean, variance)
    q = mean / variance
    peer = stats.nbinom(mean * q / (1 - q), q)
    k = np.arange(got.p.size)
    assert got.p == pytest.approx(peer.pmf(k), rel=1e-9, abs=1e-30)
    assert (got.mean, got.variance) == pytest.approx((mean, variance), rel=1e-9)


def test_a_mixture_that_does_not_scatter_is_poisson() -> None:
    assert Pmf.gamma_poisson(4, 4).p == pytest.approx(Pmf.poisson(4).p)
    near = Pmf.gamma_poisson(4, 4 * (1 + 1e-7))
    assert near.p[:20] == pytest.approx(Pmf.poisson(4).p[:20], rel=1e-5)


@given(weights, st.integers(-15, 30))
def test_expectations_are_the_plain_sums(counts: list[int], y: int) -> None:
    d = pmf_of(counts)
    k = np.arange(d.p.size)
    assert d.short(y) == pytest.approx(float(np.maximum(k - y, 0) @ d.p), abs=1e-12)
    assert d.left(y) == pytest.approx(float(np.maximum(y - k, 0) @ d.p), abs=1e-12)
    assert d.cdf(y) == pytest.approx(float(d.p[k <= y].sum()), abs=1e-12)
    assert d.tail(y) == pytest.approx(float(d.p[k > y].sum()), abs=1e-12)
    assert d.mean == pytest.approx(float(k @ d.p))


@given(weights, weights)
def test_two_demands_together(one: list[int], other: list[int]) -> None:
    a, b = pmf_of(one), pmf_of(other)
    both = a.plus(b)
    assert both.mean == pytest.approx(a.mean + b.mean)
    assert both.variance == pytest.approx(a.variance + b.variance)
    assert both.p == pytest.approx(b.plus(a).p)


@given(weights, st.integers(0, 7))
def test_several_times_is_one_after_the_other(counts: list[int], n: int) -> None:
    d, slow = pmf_of(counts), Pmf.fixed(0)
    for _ in range(n):
        slow = slow.plus(d)
    got = d.times(n)
    assert got.p == pytest.approx(slow.p[: got.p.size], abs=1e-14)


@given(weights, weights)
def test_over_an_uncertain_time(counts: list[int], periods: list[int]) -> None:
    d, n = pmf_of(counts), pmf_of(periods)
    got = d.over(n)
    want = np.zeros(d.largest * n.largest + 1)
    for times, weight in enumerate(n.p):
        own = d.times(times)
        want[: own.p.size] += weight * own.p
    assert got.p == pytest.approx(want[: got.p.size], abs=1e-13)
    # Of a random sum: E N · Var D + Var N · (E D)².
    assert got.variance == pytest.approx(n.mean * d.variance + n.variance * d.mean**2, abs=1e-9)


def test_poisson_over_a_poisson_mixture_of_days() -> None:
    day = Pmf.poisson(0.4)
    assert day.times(10).p[:15] == pytest.approx(Pmf.poisson(4).p[:15], rel=1e-10)
    assert day.over(Pmf.fixed(10)).p[:15] == pytest.approx(Pmf.poisson(4).p[:15], rel=1e-10)


def test_the_quantile_at_a_step_is_the_step() -> None:
    # Ten times 0.1 adds up to a little less than 1, nine times to less than 0.9.
    d = Pmf(np.full(10, 0.1))
    assert [d.quantile(s) for s in (0, 0.1, 0.3, 0.9, 1)] == [0, 0, 2, 8, 9]
    assert Pmf.fixed(3).quantile(0.2) == 3
    with pytest.raises(OutOfRangeError):
        d.quantile(1.01)


def test_long_convolutions_keep_their_mean() -> None:
    a, b = Pmf.poisson(20_000.0), Pmf.of_samples(np.arange(9_000))
    both = a.plus(b)
    assert both.mean == pytest.approx(a.mean + b.mean, rel=1e-9)


def test_samples_and_drawing() -> None:
    d = Pmf.of_samples([0, 2, 2, 5])
    assert d.p.tolist() == [0.25, 0, 0.5, 0, 0, 0.25]
    drawn = d.sample(np.random.default_rng(5), 4000)
    assert set(drawn.tolist()) == {0, 2, 5}
    assert abs(drawn.mean() - d.mean) < 4 * d.sd / math.sqrt(4000)


def test_it_cannot_be_changed() -> None:
    given = np.array([0.5, 0.5, 0.0])
    d = Pmf(given)
    given[0] = 9
    assert d.p.tolist() == [0.5, 0.5]
    with pytest.raises(ValueError):
        d.p[0] = 1


@pytest.mark.parametrize(
    ("p", "words"),
    [
        ([], "no row"),
        ([[1.0]], "no row"),
        ([0.5, 0.4], "add up to 0.9"),
        ([1.5, -0.5], "1 pieces is -0.5"),
        ([math.nan, 1.0], "0 pieces is nan"),
        ([math.inf], "0 pieces is inf"),
        ([0.0], "add up to 0"),
    ],
)
def test_what_is_no_distribution(p: list[float], words: str) -> None:
    with pytest.raises(BadPmfError, match=words) as refused:
        Pmf(np.array(p))
    assert refused.value.place == "pmf"
    assert refused.value.mend


REFUSED: list[Callable[[], Pmf]] = [
    lambda: Pmf.poisson(-1),
    lambda: Pmf.poisson(math.nan),
    lambda: Pmf.gamma_poisson(0, 1),
    lambda: Pmf.gamma_poisson(3, 2),
    lambda: Pmf.fixed(-1),
    lambda: Pmf.of_samples([1, -1]),
    lambda: Pmf.of_samples([1.5]),
    lambda: Pmf.of_samples([]),
    lambda: Pmf.poisson(2).times(-1),
]
LARGE: list[Callable[[], Pmf]] = [
    lambda: Pmf.poisson(1e9),
    lambda: Pmf.gamma_poisson(1e7, 1e12),
    lambda: Pmf.fixed(MOST_PIECES),
    lambda: Pmf.of_samples([MOST_PIECES]),
]


@pytest.mark.parametrize("work", REFUSED)
def test_refusals(work: Callable[[], Pmf]) -> None:
    with pytest.raises(StockError) as refused:
        work()
    assert not isinstance(refused.value, TooLargeError)


@pytest.mark.parametrize("work", LARGE)
def test_too_many_pieces(work: Callable[[], Pmf]) -> None:
    with pytest.raises(TooLargeError, match="packs or boxes"):
        work()


@pytest.mark.parametrize(
    "text",
    [
        "pieces,probability\n0,0.5\n2,0.3\n5,0.2\n",
        "pieces;probability\n5;0,2\n0;0,5\n2;0,3\n",
        "\ufeffPieces\tP\r\n0\t.5\r\n2.0\t.3\r\n\r\n5\t.2\r\n",
        "pieces,count\n0,5\n2,3\n5,2\n",
    ],
)
def test_ways_to_write_the_file(text: str) -> None:
    assert read_pmf(text).p == pytest.approx([0.5, 0, 0.3, 0, 0, 0.2])


@pytest.mark.parametrize(
    ("text", "place", "problem"),
    [
        ("", "", "is empty"),
        ("pieces,probability\n", "", "has no rows"),
        ("0,0.5\n1,0.5\n", "line 1", "not the header"),
        ("pieces,chance\n1,1\n", "line 1", "not the header"),
        ("pieces,probability\n1\n", "line 2", "has 1 fields"),
        ("pieces,probability\n1.5,1\n", "line 2, pieces", "no number of pieces"),
        ("pieces,probability\n-1,1\n", "line 2, pieces", "no number of pieces"),
        ("pieces,probability\n9999999,1\n", "line 2, pieces", "too many"),
        ("pieces,probability\n1,0.5\n1,0.5\n", "line 3", "line 2 too"),
        ("pieces,probability\n1,1.5\n", "line 2, probability", "no probability"),
        ("pieces,probability\n1,-0.5\n", "line 2, probability", "no probability"),
        ("pieces,probability\n1,nan\n", "line 2, probability", "not finite"),
        ("pieces,probability\n1,half\n", "line 2, probability", "not a number"),
        ("pieces,probability\n1,0.9\n", "", "add up to 0.9"),
        ("pieces,count\n1,0\n", "", "add up to nothing"),
        ("pieces,count\n1,-2\n", "line 2, count", "no count"),
    ],
)
def test_bad_files_name_the_line(text: str, place: str, problem: str) -> None:
    with pytest.raises(InputError) as refused:
        read_pmf(text)
    assert refused.value.place == place
    assert problem in refused.value.problem
    assert refused.value.mend
