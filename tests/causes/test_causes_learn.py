"""Learning from verified cases: exact small cases, the prior kept, what teaches nothing."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import beta

from pitwise.causes.learn import (
    Case,
    Fired,
    Fit,
    Floats,
    Worth,
    estimate,
    fired,
    fit_symptom,
    learn,
    worth_of,
)
from pitwise.causes.model import build
from pitwise.trade import base_sheet

DATA = json.loads((Path(__file__).parents[1] / "data" / "diagnosis_em.json").read_text("utf-8"))
EM = DATA["cases"][0]
# held, seen, absent, as em-01 has them.
TOLD = Fired(
    np.array([[1, 0], [0, 1], [1, 1], [0, 0]], dtype=bool),
    np.array([6.0, 9, 5, 2]),
    np.array([4.0, 1, 0, 38]),
)
SHEET = base_sheet()


def _fit(told: Fired, sweeps: int | None = None, start: float = 0.05) -> Fit:
    return fit_symptom(
        told, np.array(EM["start"]["link"]), start, link_cases=10, leak_cases=40, sweeps=sweeps
    )


@pytest.mark.parametrize(("sweeps", "key"), [(1, "after_1"), (50, "after_50")])
def test_the_reference_case(sweeps: int, key: str) -> None:
    link, leak = EM[key]
    got = _fit(TOLD, sweeps)
    np.testing.assert_allclose(got.link, link, atol=1e-9, rtol=0)
    assert got.leak == pytest.approx(leak, abs=1e-9)


def test_it_comes_to_rest_where_fifty_sweeps_lead() -> None:
    got = _fit(TOLD)
    assert got.settled
    np.testing.assert_allclose(got.link, EM["after_50"][0], atol=1e-8)


def test_no_cases_leave_the_sheets_numbers() -> None:
    learnt = learn(SHEET, [])
    for cause in SHEET.causes:
        assert learnt.base[cause.id].mean == pytest.approx(cause.base_rate, abs=1e-15)
        assert learnt.base[cause.id].cases == 0
    for link in SHEET.links:
        assert learnt.link[link.cause, link.symptom].mean == pytest.approx(link.p, abs=1e-15)
    for symptom in SHEET.symptoms:
        assert learnt.leak[symptom.id].mean == pytest.approx(symptom.leak, abs=1e-15)


def test_the_interval_is_the_betas() -> None:
    got = estimate(0.3, 30, 20)
    wanted = beta(9, 21)
    assert (got.low, got.high) == pytest.approx((wanted.ppf(0.05), wanted.ppf(0.95)), rel=1e-9)
    assert estimate(1.0, 10, 0).low == 1.0


def test_one_link_without_other_makers_is_counted() -> None:
    # With next to no leak every sign is the link's: plain Beta counting.
    got = fit_symptom(
        Fired(np.array([[True]]), np.array([7.0]), np.array([3.0])),
        np.array([0.5]),
        1e-12,
        link_cases=10,
        leak_cases=40,
    )
    assert got.link[0] == pytest.approx((5 + 7) / 20, abs=1e-9)


def test_base_rates_are_counted() -> None:
    cause = SHEET.causes[3]
    cases = [Case(frozenset({cause.id}), {})] * 3 + [Case(frozenset(), {})] * 7
    got = learn(SHEET, cases).base[cause.id]
    assert got.mean == pytest.approx((40 * cause.base_rate + 3) / 50)
    assert got.cases == 10


def test_what_was_not_looked_at_teaches_nothing() -> None:
    link = SHEET.links[0]
    looked = [Case(frozenset({link.cause}), {link.symptom: True})]
    silent = [*looked, *[Case(frozenset({link.cause}), {})] * 20]
    one, two = learn(SHEET, looked), learn(SHEET, silent)
    assert one.link == two.link
    assert one.leak == two.leak
    assert two.link[link.cause, link.symptom].cases == 1


def test_absent_lowers_and_seen_raises() -> None:
    link = SHEET.links[0]
    key = (link.cause, link.symptom)
    for state, sign in ((True, 1), (False, -1)):
        got = learn(SHEET, [Case(frozenset({link.cause}), {link.symptom: state})] * 5)
        assert sign * (got.link[key].mean - link.p) > 0


def test_order_of_cases_changes_nothing_and_unknown_names_are_told() -> None:
    causes = [c.id for c in SHEET.causes[:3]]
    symptoms = [s.id for s in SHEET.symptoms[:6]]
    cases = [
        Case(frozenset({causes[i % 3]}), {s: (i + j) % 3 == 0 for j, s in enumerate(symptoms)})
        for i in range(12)
    ]
    odd = Case(frozenset({"gone"}), {symptoms[0]: True})
    one, two = learn(SHEET, [*cases, odd]), learn(SHEET, [odd, *reversed(cases)])
    assert one.link == two.link
    assert (one.left_out, two.left_out) == ((12,), (0,))
    assert one.cases == 12
    extra = learn(SHEET, [Case(frozenset({causes[0]}), {"X_gone": True})])
    assert extra.cases == 1


def test_prior_worth_comes_from_the_sheet() -> None:
    assert worth_of(SHEET) == Worth(10, 40, 40)
    other = replace(
        SHEET,
        constants=tuple(
            c.model_copy(update={"value": c.value * 2}) if c.id == "link-cases" else c
            for c in SHEET.constants
        ),
    )
    assert worth_of(other).link == 20


_CELL = st.tuples(st.tuples(st.booleans(), st.booleans()), st.integers(0, 9), st.integers(0, 9))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(_CELL, min_size=1, max_size=6),
    st.tuples(st.floats(0.05, 0.95), st.floats(0.05, 0.95)),
    st.floats(0.005, 0.5),
    st.integers(0, 5),
)
def test_one_more_sign_never_makes_the_sign_less_likely_there(
    cells: list[tuple[tuple[bool, bool], int, int]],
    link: tuple[float, float],
    leak: float,
    which: int,
) -> None:
    # A theorem: at the mode of a concave objective the term given more weight does not fall.
    # (A single link may fall: another maker of the same sign can take the credit.)
    held = np.array([c[0] for c in cells])
    seen = np.array([float(c[1]) for c in cells])
    absent = np.array([float(c[2]) for c in cells])
    more = seen.copy()
    row = which % len(cells)
    more[row] += 1

    def p_seen(counts: np.ndarray) -> float:
        fit = fit_symptom(
            Fired(held, counts, absent), np.array(link), leak, link_cases=10, leak_cases=40
        )
        return float(1 - (1 - fit.leak) * np.prod(np.where(held[row], 1 - fit.link, 1.0)))

    assert p_seen(more) >= p_seen(seen) - 1e-7


@settings(max_examples=40, deadline=None)
@given(st.lists(_CELL, max_size=6))
def test_learnt_numbers_stay_probabilities(
    cells: list[tuple[tuple[bool, bool], int, int]],
) -> None:
    told = Fired(
        np.array([c[0] for c in cells], dtype=bool).reshape(-1, 2),
        np.array([float(c[1]) for c in cells]),
        np.array([float(c[2]) for c in cells]),
    )
    got = fit_symptom(told, np.array([1.0, 1e-9]), 0.999, link_cases=10, leak_cases=40)
    assert np.all((got.link >= 0) & (got.link <= 1))
    assert 0 <= got.leak <= 1


def test_counting_keeps_kinds_of_cases_apart() -> None:
    cases = [
        Case(frozenset({"a"}), {"s": True}),
        Case(frozenset({"a", "z"}), {"s": False}),
        Case(frozenset({"b"}), {"s": True}),
        Case(frozenset(), {"t": True}),
    ]
    told = fired(cases, "s", ["a", "b"])
    assert told.held.tolist() == [[False, True], [True, False]]
    assert told.seen.tolist() == [1, 1]
    assert told.absent.tolist() == [0, 1]


def test_a_prior_mean_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        fit_symptom(TOLD, np.array([0.0, 0.5]), 0.1, link_cases=10, leak_cases=40)


def _objective(told: Fired, prior: Floats, link_cases: float, log_odds: Floats) -> float:
    """Return the penalised log-likelihood at log-odds of the links and the leak (last)."""
    p = 1 / (1 + np.exp(-log_odds))
    worth = np.append(np.full(len(p) - 1, link_cases), 40.0)
    quiet = (1 - p[-1]) * np.prod(np.where(told.held, 1 - p[:-1], 1.0), axis=1)
    value = worth * (prior * np.log(p) + (1 - prior) * np.log1p(-p))
    return float(
        value.sum() + (told.seen * np.log1p(-quiet)).sum() + (told.absent * np.log(quiet)).sum()
    )


def test_worth_is_that_of_the_observed_information() -> None:
    fit = _fit(TOLD)
    prior = np.append(EM["start"]["link"], 0.05)
    p = np.append(fit.link, fit.leak)
    at = np.log(p) - np.log1p(-p)
    step, n = 1e-3, len(at)
    hessian = np.zeros((n, n))
    for i in range(n):
        for j in range(n):
            for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
                moved = at.copy()
                moved[i] += a * step
                moved[j] += b * step
                hessian[i, j] += a * b * _objective(TOLD, prior, 10, moved) / (4 * step**2)
    want = 1 / (np.diag(np.linalg.inv(-hessian)) * p * (1 - p))
    np.testing.assert_allclose(np.append(fit.link_worth, fit.leak_worth), want, rtol=1e-4)


def test_what_two_causes_share_is_not_worth_a_whole_case_to_each() -> None:
    both = Fired(np.array([[True, True]]), np.array([50.0]), np.array([0.0]))
    alone = Fired(np.array([[True, False]]), np.array([25.0]), np.array([25.0]))
    shared = fit_symptom(both, np.array([0.5, 0.5]), 0.02, link_cases=10, leak_cases=40)
    counted = fit_symptom(alone, np.array([0.5, 0.5]), 0.02, link_cases=10, leak_cases=40)
    assert shared.link_worth[0] < 25
    assert counted.link_worth[0] > 50
    assert counted.link_worth[1] == 10
    for fit in (shared, counted):
        assert ((fit.link_worth >= 10) & (fit.link_worth <= 60)).all()
        assert 40 <= fit.leak_worth <= 90


@pytest.mark.parametrize("held", [1.0, 0.9, 0.3])
def test_intervals_of_links_cover_where_credit_is_split(held: float) -> None:
    rng = np.random.default_rng(20264)
    runs, covered = 250, 0
    for _ in range(runs):
        link, leak = rng.beta([5, 8], [5, 2]), rng.beta(4, 36)
        cases = rng.random((60, 2)) < held
        p = 1 - (1 - leak) * np.prod(np.where(cases, 1 - link, 1.0), axis=1)
        seen = (rng.random(60) < p).astype(float)
        fit = fit_symptom(
            Fired(cases, seen, 1 - seen), np.array([0.5, 0.8]), 0.1, link_cases=10, leak_cases=40
        )
        got = estimate(float(fit.link[0]), float(fit.link_worth[0]), 60)
        covered += got.low <= link[0] <= got.high
    assert covered / runs >= 0.85


def test_ranges_of_a_diagnosis_rest_on_what_the_cases_are_worth() -> None:
    link = next(k for k in SHEET.links if sum(x.symptom == k.symptom for x in SHEET.links) > 2)
    rivals = frozenset(k.cause for k in SHEET.links if k.symptom == link.symptom)
    learnt = learn(SHEET, [Case(rivals, {link.symptom: True})] * 30)
    model = build(SHEET, learnt)
    row, column = model.causes.index(link.cause), model.column[link.symptom]
    assert 10 <= model.link_worth[row, column] < 25
    assert learnt.link[link.cause, link.symptom].cases == 30
