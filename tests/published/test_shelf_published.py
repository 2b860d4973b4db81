"""Order sizes, newsvendors, (r, Q) and (s, S) against published examples."""

from __future__ import annotations

import pytest

from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.eoq import economic_order, order_cost
from pitwise.shelf.newsvendor import newsvendor, newsvendor_normal
from pitwise.shelf.periodic import cheapest_review, judge_review
from pitwise.shelf.reorder import cheapest, judge

# Examples of L. V. Snyder, Z.-J. M. Shen, Fundamentals of Supply Chain Theory, 2nd ed. (2019),
# as quoted with more digits in the docstrings of stockpyl 1.0.2 (by the first author).


def test_a_steady_demand() -> None:
    """Example 3.1: K = 8, h = 0.225, demand 1300 a year."""
    found = economic_order(8, 0.225, 1300)
    assert found.pieces == pytest.approx(304.0467800264, rel=1e-12)
    assert found.cost == pytest.approx(68.4105255059, rel=1e-12)
    assert order_cost(found.pieces, 8, 0.225, 1300) == pytest.approx(68.4105255059, rel=1e-12)


def test_a_normal_newsvendor() -> None:
    """Examples 4.3 and 4.1: h = 0.18, p = 0.70, demand N(50, 8²)."""
    found = newsvendor_normal(50, 8, 0.18, 0.70)
    assert found.pieces == pytest.approx(56.6039559274, rel=1e-12)
    assert found.cost == pytest.approx(1.9976051932, rel=1e-10)
    sixty = newsvendor_normal(50, 8, 0.18, 0.70, stock=60)
    assert sixty.cost == pytest.approx(2.156131552870387, rel=1e-10)
    forty = newsvendor_normal(50, 8, 0.18, 0.70, stock=40)
    assert forty.cost == pytest.approx(7.35613154776623, rel=1e-7)


def test_newsvendors_in_pieces() -> None:
    """Poisson 50 of Example 4.1's costs; Poisson 6, h = 1, p = 4 of Example 4.7."""
    found = newsvendor(Pmf.poisson(50), 0.18, 0.70)
    assert found.pieces == 56
    assert found.cost == pytest.approx(1.797235211809178, rel=1e-10)
    six = newsvendor(Pmf.poisson(6), 1, 4)
    assert six.pieces == 8
    assert six.cost == pytest.approx(3.5701069457709416, rel=1e-10)
    assert newsvendor(Pmf.poisson(6), 1, 4, stock=5).cost == pytest.approx(6.590296024616343)


def test_a_reorder_point() -> None:
    """Example 5.8: h = 20, p = 150, K = 100, Poisson demand 1.5, lead time 2."""
    found = cheapest(Pmf.poisson(3), 1.5, fixed=100, holding=20, stockout=150)
    assert (found.reorder_point, found.order_size) == (3, 5)
    assert found.cost == pytest.approx(107.92358063314975, rel=1e-12)
    own = judge(Pmf.poisson(3), 1.5, 3, 5, fixed=100, holding=20, stockout=150)
    assert own.cost == found.cost


def test_a_level_to_fill_up_to() -> None:
    """Example 4.7: h = 1, p = 4, K = 5, Poisson demand 6."""
    found = cheapest_review(Pmf.poisson(6), fixed=5, holding=1, stockout=4)
    assert (found.order_at, found.order_up_to) == (4, 10)
    assert found.cost == pytest.approx(8.034111561471642, rel=1e-12)


# Y.-S. Zheng, A. Federgruen, Operations Research 39 (1991) 654, table of Poisson demands with
# K = 64, h = 1, p = 9 (problems of Veinott and Wagner, 1965). Means 10, 20 and 64 as quoted, with
# more digits, by the tests of the library inventoryanalytics (R. Rossi) and after Feng & Xiao,
# IIE Transactions 32 (2000); the other rows from memory of the table.
_QUOTED = {10: (6, 40, 35.02155527), 20: (14, 62, 49.17303574), 64: (55, 74, 78.40232071)}
_FROM_MEMORY = {
    15: (10, 49, 42.698),
    21: (15, 65, 50.406),
    22: (16, 68, 51.632),
    23: (17, 52, 52.757),
    24: (18, 54, 53.518),
}


@pytest.mark.parametrize("mean", [*_QUOTED, *_FROM_MEMORY])
def test_the_table_of_poisson_demands(mean: int) -> None:
    s, top, cost = (_QUOTED | _FROM_MEMORY)[mean]
    found = cheapest_review(Pmf.poisson(mean), fixed=64, holding=1, stockout=9)
    assert (found.order_at, found.order_up_to) == (s, top)
    within = 1e-8 if mean in _QUOTED else 5e-4
    assert found.cost == pytest.approx(cost, abs=within)
    own = judge_review(Pmf.poisson(mean), s, top, fixed=64, holding=1, stockout=9)
    assert own.cost == pytest.approx(cost, abs=within)
