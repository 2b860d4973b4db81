"""A small run of `benchmarks/causes_eval.py`: its goals hold as far as so few cases can show."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from benchmarks.causes_eval import LEAST_SAVED, MOST_OFF, at_stage, case_of, desk_of_sheet, shop_of
from benchmarks.causes_score import STAGES, Claimed, found, log_score, off
from benchmarks.causes_work import Desk, Work, by_order, by_steps, our_step
from benchmarks.causes_worlds import (
    NOISES,
    Floats,
    Shape,
    draw_case,
    draw_shop,
)

from pitwise.causes.diagnose import diagnose
from pitwise.trade import Sheet

FAMILY = 11
"""Seeds of their own: neither tuned on nor on the page."""
CASES = 55
CURED = 5


@pytest.fixture(scope="module")
def desk() -> Desk:
    return desk_of_sheet()


def _claims(desk: Desk) -> list[Claimed]:
    out = []
    for noise in NOISES:
        for number in range(CASES):
            answers = case_of(FAMILY, desk.shape, noise, number)
            for stage in STAGES:
                p = at_stage(desk, answers, stage).p()
                out.append(Claimed(noise, stage, p, answers.causes))
    return out


@pytest.fixture(scope="module")
def claims(desk: Desk) -> list[Claimed]:
    return _claims(desk)


def _untempered(sheet: Sheet) -> Sheet:
    neutral = {"temper-leak-floor": 0, "temper-link-keep": 1, "temper-odds": 1, "temper-few": 0}
    rows = tuple(
        c.model_copy(update={"value": Decimal(neutral[c.id])}) if c.id in neutral else c
        for c in sheet.constants
    )
    return replace(sheet, constants=rows)


def test_what_is_claimed_above_a_half_comes_true(claims: list[Claimed]) -> None:
    gap, se, count = off(claims, 0.5)
    assert count > 200
    assert se < 0.03
    assert abs(gap) < MOST_OFF
    for stage in STAGES:
        gap, se, count = off([c for c in claims if c.stage == stage], 0.5)
        assert abs(gap) < MOST_OFF + 2 * se, stage
        assert count > 15


def test_without_tempering_the_same_cases_are_overclaimed(
    desk: Desk, claims: list[Claimed]
) -> None:
    bold = _claims(Desk(Shape.of(_untempered(desk.sheet))))
    worst = max(off([c for c in bold if c.stage == s], 0.5)[0] for s in STAGES)
    held = max(off([c for c in claims if c.stage == s], 0.5)[0] for s in STAGES)
    assert worst > MOST_OFF
    assert worst > held + 0.03


def test_a_right_cause_is_mostly_among_the_first_three(claims: list[Claimed]) -> None:
    """The page says how far this is from nine in ten, and that no engine gets there."""
    hits = {s: found([c for c in claims if c.stage == s], 3) for s in STAGES}
    one, se, _ = hits["strip-down"]["one"]
    both, se_both, count = hits["strip-down"]["any of all"]
    assert count > 120
    assert hits["complaint"]["one"][0] < one < hits["everything"]["one"][0] + 2 * se
    assert one > 0.78 - 2 * se
    assert both > 0.87 - 2 * se_both
    assert hits["everything"]["any of all"][0] > 0.93


def test_little_is_lost_against_an_engine_told_the_truth(desk: Desk, claims: list[Claimed]) -> None:
    told = []
    for noise in NOISES:
        for number in range(CASES):
            shop, answers = shop_of(FAMILY, desk.shape, noise, number)
            p = at_stage(Desk(desk.shape, truth=shop), answers, "strip-down").p()
            told.append(Claimed(noise, "strip-down", p, answers.causes))
    ours = [c for c in claims if c.stage == "strip-down"]
    np.testing.assert_array_equal([c.true for c in ours], [c.true for c in told])
    assert log_score(told) < log_score(ours)
    for kind in ("one", "any of all"):
        bound, se, _ = found(told, 3)[kind]
        assert found(ours, 3)[kind][0] > bound - 0.08 - 2 * se
    # What a strip-down shows here does not place one fault among three in more than nine of ten.
    bound, se, _ = found(told, 3)["one"]
    assert bound < 0.9 + 2 * se


def test_minutes_are_saved_against_a_fixed_and_a_random_order(desk: Desk) -> None:
    fixed = [c.id for c in desk.sheet.checks]
    ours, others = [], []
    for noise in NOISES:
        for number in range(CURED):
            answers = case_of(FAMILY, desk.shape, noise, number)
            if not answers.causes.any():
                continue
            stage = STAGES[number % 2]
            shuffled = np.random.default_rng(number).permutation(fixed).tolist()
            memo: dict[tuple[object, ...], Floats] = {}
            ours.append(by_steps(at_stage(desk, answers, stage, memo)).minutes)
            others.append(
                [
                    by_order(at_stage(desk, answers, stage, memo), order, "same").minutes
                    for order in (fixed, shuffled)
                ]
            )
    own, other = np.array(ours), np.array(others)
    for column in other.T:
        share = own.sum() / column.sum()
        left = (own - share * column) / column.mean()
        se = left.std(ddof=1) / len(left) ** 0.5
        assert 1 - share > LEAST_SAVED - 2 * se
        assert 1 - share > 2 * se
        assert se < 0.16


def test_the_policy_is_the_diagnosis_own_step(desk: Desk) -> None:
    steps = 0
    kinds = set()
    for number in range(5):
        work = at_stage(desk, case_of(FAMILY, desk.shape, 0.7, number), STAGES[number % 2])
        while not work.cured and steps < 8 * (number + 1):
            found_ = diagnose(desk.sheet, work.observed)
            p = {c.id: c.p for c in found_.causes}
            np.testing.assert_allclose(work.p(), [p[c] for c in desk.shape.causes], atol=1e-12)
            assert our_step(work) == (found_.step.do, found_.step.id, found_.step.cause)
            steps += 1
            kinds.add(found_.step.do)
            _follow(work, found_.step.do, found_.step.id, found_.step.cause)
    assert steps > 12
    assert {"check", "try"} <= kinds


def _follow(work: Work, do: str, name: str, cause: str) -> None:
    if do == "check":
        for before in work.desk.sheet.check(name).after:
            work.look(before)
        work.look(name)
    else:
        work.cure(cause, 0.0)


def test_a_truth_departs_from_the_sheet_as_stated(desk: Desk) -> None:
    rng = np.random.default_rng(4)
    shape = desk.shape
    shops = [draw_shop(rng, shape, 0.7) for _ in range(30)]
    linked = shape.link > 0
    kept = np.mean([(s.link[linked] > 0).mean() for s in shops])
    added = np.mean([(s.link[~linked] > 0).sum() for s in shops])
    assert kept == pytest.approx(0.9, abs=0.01)
    assert added == pytest.approx(0.05 * linked.sum(), abs=1)
    # On average over shops the sheet's rates are kept, so no cause is made rarer or commoner.
    mean = np.mean([s.prior for s in shops], axis=0)
    assert mean.sum() == pytest.approx(shape.prior.sum(), rel=0.1)
    cases = [draw_case(rng, s) for s in shops]
    assert all(c.complaint for c in cases)
    assert max(int(c.causes.sum()) for c in cases) >= 3
