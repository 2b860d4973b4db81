"""Gauge and agreement studies: edges, refusals, identities, and peers."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from pitwise.measure.agreement import AgreementError, fleiss_kappa, word_of
from pitwise.measure.gauge import GaugeError, range_study, study
from pitwise.measure.gauge_interval import Term, variance_interval
from pitwise.measure.gauge_range import d2_star, range_factor, range_moments

Floats = npt.NDArray[np.float64]


def made(start: int, o: int, p: int, r: int, sd: tuple[float, float, float, float]) -> Floats:
    rng = np.random.default_rng(start)
    part, person, both, again = sd
    out: Floats = (
        rng.normal(0, part, (1, p, 1))
        + rng.normal(0, person, (o, 1, 1))
        + rng.normal(0, both, (o, p, 1))
        + rng.normal(0, again, (o, p, r))
    )
    return out


@pytest.mark.parametrize(("start", "both"), [(1, 0.0), (2, 2.0)])
def test_the_table_beside_statsmodels(start: int, both: float) -> None:
    x = made(start, 3, 7, 4, (2, 1, both, 1))
    index = [(i, j) for i in range(3) for j in range(7) for _ in range(4)]
    frame = pandas.DataFrame(index, columns=["person", "part"]).assign(y=x.ravel())
    peer: Any = anova_lm(ols("y ~ C(part) * C(person)", frame).fit())
    ours = {row.source: row for row in study(x).table}
    names = {"part": "C(part)", "person": "C(person)", "person × part": "C(part):C(person)"}
    for name, theirs in (*names.items(), ("repeatability", "Residual")):
        assert ours[name].ss == pytest.approx(peer.loc[theirs, "sum_sq"], rel=1e-9)
        assert ours[name].df == peer.loc[theirs, "df"]
    assert ours["person × part"].p == pytest.approx(peer.loc["C(part):C(person)", "PR(>F)"])


def test_interaction_is_kept_when_it_is_there() -> None:
    found = study(made(3, 3, 10, 3, (2, 1, 1, 0.3)), tolerance=12.0)
    assert not found.pooled
    assert found.interaction is not None
    assert found.reproducibility is not None
    total = sum(c.variance for c in found.components if c.name not in ("gauge", "total"))
    assert total == pytest.approx(found.total.variance)
    assert found.gauge.percent_of_tolerance == pytest.approx(100 * 6 * found.gauge.sd / 12)
    assert sum(c.share for c in found.components if c.name in ("gauge", "part")) == pytest.approx(1)
    for c in found.components:
        assert c.low is not None
        assert c.high is not None
        assert c.low <= c.sd <= c.high


def test_a_negative_component_is_zero_and_said() -> None:
    for start in range(40):
        found = study(made(start, 3, 6, 2, (2, 0, 0, 1)))
        assert found.reproducibility is not None
        if found.reproducibility.sd == 0:
            assert any("Between people" in n and "zero" in n for n in found.notes)
            assert found.reproducibility.low == 0
            return
    raise AssertionError("none of forty came out negative")


def test_one_person_and_two_trials() -> None:
    found = study(made(4, 1, 8, 2, (2, 0, 0, 0.5)))
    assert found.reproducibility is None
    assert found.interaction is None
    assert found.gauge.sd == found.repeatability.sd
    assert any("One person" in n for n in found.notes)
    by_hand = range_study(made(4, 1, 8, 2, (2, 0, 0, 0.5)))
    assert by_hand.reproducibility is None
    assert by_hand.plain()["reproducibility"] is None
    assert found.repeatability.sd == pytest.approx(by_hand.repeatability.sd, rel=0.5)


def test_a_gauge_without_scatter() -> None:
    x = np.tile(np.array([1.0, 2.0, 4.0])[None, :, None], (2, 1, 3))
    found = study(x)
    assert found.gauge.sd == 0
    assert found.ndc is None
    assert found.part.sd == pytest.approx(np.std([1, 2, 4], ddof=1))
    assert range_study(x).gauge.sd == 0


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(-1e6, 1e6), st.floats(1e-3, 1e3))
def test_moved_and_scaled_readings(start: int, move: float, scale: float) -> None:
    x = made(start, 3, 5, 2, (2, 1, 0.2, 0.5))
    for work in (study, range_study):
        one, two = work(x), work(scale * x + move)
        assert two.pooled == one.pooled
        for a, b in zip(one.components, two.components, strict=True):
            assert b.sd == pytest.approx(scale * a.sd, rel=1e-4, abs=1e-6 * scale + 1e-8)


def test_refusals_name_what_is_missing() -> None:
    x = made(5, 2, 3, 2, (1, 1, 0, 1))
    x[1, 2, 0] = math.nan
    with pytest.raises(GaugeError, match="part C, person Lee, trial 1"):
        study(x, people=["Kim", "Lee"], parts=["A", "B", "C"])
    x[:] = math.nan
    with pytest.raises(GaugeError, match="12 of 12 .* and 6 more"):
        range_study(x)
    for bad, words in (
        (np.zeros((2, 3, 2)), "all the same"),
        (made(1, 2, 3, 1, (1, 1, 1, 1)), "each part once"),
        (made(1, 2, 1, 3, (1, 1, 1, 1)), "two parts or more"),
        (np.zeros((3, 3)), "people × parts × trials"),
        (np.full((2, 2, 2), math.inf), "finite"),
    ):
        with pytest.raises(GaugeError, match=words):
            study(bad)
    for width in (0.0, -1.0, math.nan):
        with pytest.raises(GaugeError, match="no width"):
            study(made(5, 2, 3, 2, (1, 1, 0, 1)), tolerance=width)


def test_what_ranges_are_divided_by() -> None:
    """d2, d3 as tables print them (from memory), and by simulation."""
    printed = {2: (1.128, 0.853), 3: (1.693, 0.888), 5: (2.326, 0.864), 10: (3.078, 0.797)}
    for n, (d2, d3) in printed.items():
        assert range_moments(n) == pytest.approx((d2, d3), abs=6e-4)
    assert range_moments(2)[0] == pytest.approx(2 / math.sqrt(math.pi), abs=1e-9)
    assert range_moments(2)[1] == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-5)
    assert d2_star(3, 1) == pytest.approx(1.91155, abs=1e-5)
    assert range_factor(2, 30) == 0.8862
    x = np.random.default_rng(1).normal(size=(200_000, 4))
    assert range_moments(4)[0] == pytest.approx(float(np.ptp(x, axis=1).mean()), abs=0.008)
    with pytest.raises(ValueError, match="two values"):
        range_moments(1)


def test_one_mean_square_has_its_exact_interval() -> None:
    low, high = variance_interval([Term("e", 1.0, 2.5, 12)])
    assert low == pytest.approx(12 * 2.5 / chi2.ppf(0.975, 12))
    assert high == pytest.approx(12 * 2.5 / chi2.ppf(0.025, 12))


def test_agreement_edges() -> None:
    perfect = fleiss_kappa([[3, 0], [0, 3], [3, 0], [0, 3], [3, 0]] * 2, ["keep", "replace"])
    assert perfect.kappa == 1
    assert perfect.high == 1
    # Ten specimens without a dispute don't prove there is none.
    assert 0.4 < perfect.low < 0.9
    more = fleiss_kappa([[3, 0], [0, 3]] * 50)
    assert perfect.low < more.low < 1
    worst = fleiss_kappa([[1, 1]] * 8)
    assert worst.kappa == pytest.approx(-1)
    assert worst.word == "worse than chance"
    assert worst.low >= -1
    # One finding seen by one of three on one specimen of ten: nothing is told, least of all well.
    rare = fleiss_kappa([[3, 0]] * 9 + [[2, 1]])
    assert rare.kappa == pytest.approx(-1 / 29)
    assert rare.word == "not told from chance"
    assert rare.high - rare.low > 0.5
    assert rare.se > 0.05
    assert rare == fleiss_kappa([[3, 0]] * 9 + [[2, 1]])
    two = fleiss_kappa([[1, 2], [0, 3]])
    assert two.high - two.low > 0.5
    some = fleiss_kappa([[2, 1, 0], [3, 0, 0], [1, 2, 0], [0, 3, 0]], ["a", "b", "never"])
    assert some.per_category[2].kappa is None
    assert some.per_category[0].kappa is not None
    assert some.plain()["per_category"][2]["kappa"] is None
    assert [word_of(k) for k in (0.995, 0.61, 0.0, -0.2)] == [
        "almost perfect",
        "substantial",
        "slight",
        "worse than chance",
    ]


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ([[3, 0], [3, 0]], "one category throughout"),
        ([[3, 0]], "fewer than two"),
        ([[3], [3]], "fewer than two"),
        ([[1, 0], [0, 1]], "fewer than two"),
        ([[3, 0], [2, 0]], "specimen 2.*judged by 2"),
        ([[3, 0], [2.5, 0.5]], "specimen 2.*not 0, 1, 2"),
        ([[3, 0], [4, -1]], "specimen 2.*not 0, 1, 2"),
        ([[3, 0], [math.nan, 3]], "specimen 2.*not 0, 1, 2"),
    ],
)
def test_agreement_refusals(counts: list[list[float]], words: str) -> None:
    with pytest.raises(AgreementError, match=words):
        fleiss_kappa(counts)
