"""The order of repairs: published rule against every order there is."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitwise.causes.pc import Actions, Plan, Repairs

DATA = json.loads((Path(__file__).parents[1] / "data" / "diagnosis_pc.json").read_text("utf-8"))
CASES = {case["id"]: case for case in DATA["cases"]}


def _repairs(case: dict[str, Any]) -> Repairs:
    return Repairs(
        tuple(case["p"]),
        tuple(case["cost_observe"]),
        tuple(case["cost_repair"]),
        case["service_call"],
    )


def _actions(case: dict[str, Any]) -> Actions:
    return Actions(
        tuple(case["p_cause"]),
        tuple(tuple(row) for row in case["p_fix_given_cause"]),
        tuple(case["cost"]),
        case["service_call"],
    )


@pytest.mark.parametrize("name", ["ts-01", "ts-02", "ts-03"])
def test_single_fault(name: str) -> None:
    case = CASES[name]
    repairs = _repairs(case)
    assert repairs.pc_order() == tuple(case["pc_order"])
    assert repairs.cost(repairs.pc_order()) == pytest.approx(case["pc_ecr_all"], abs=1e-12)
    assert repairs.plan().cost == pytest.approx(case["best_ecr"], abs=1e-12)
    assert repairs.cheapest().cost == pytest.approx(case["best_ecr"], abs=1e-12)
    assert repairs.plan().order == tuple(case["best_order"])


@pytest.mark.parametrize("name", ["ts-06", "ts-07"])
def test_dependent_actions(name: str) -> None:
    case = CASES[name]
    actions = _actions(case)
    assert actions.updating_order()[: len(case["updating_pc_order"])] == tuple(
        case["updating_pc_order"]
    )
    assert actions.expected_cost(case["updating_pc_order"]) == pytest.approx(
        case["updating_pc_ecr"], abs=1e-12
    )
    assert actions.cheapest().cost == pytest.approx(case["best_ecr"], abs=1e-12)
    assert actions.expected_cost(case["best_order"]) == pytest.approx(case["best_ecr"], abs=1e-12)


def test_the_rule_is_not_optimal_where_actions_overlap() -> None:
    actions = _actions(CASES["ts-07"])
    assert actions.plan().cost == pytest.approx(1.75)
    assert actions.cheapest() == Plan((1, 2), 1.5)


_P = st.lists(st.floats(0.001, 1.0), min_size=1, max_size=5)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.001, 1), st.floats(0, 50), st.floats(0, 50)), min_size=1, max_size=5
    ),
    st.floats(0.3, 1.0),
)
def test_the_theorem_equals_exhaustive_search(
    rows: list[tuple[float, float, float]], share: float
) -> None:
    total = math.fsum(row[0] for row in rows)
    repairs = Repairs(
        tuple(row[0] / total * share for row in rows),
        tuple(row[1] for row in rows),
        tuple(row[2] for row in rows),
    )
    assert repairs.cost(repairs.pc_order()) == pytest.approx(repairs.cheapest().cost, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.001, 1), st.floats(0.1, 50)), min_size=1, max_size=5),
    st.floats(0.3, 1.0),
    st.floats(0, 20),
    st.floats(0, 200),
)
def test_stopping_for_service_equals_exhaustive_search_at_like_repair_costs(
    rows: list[tuple[float, float]], share: float, repair: float, call: float
) -> None:
    total = math.fsum(row[0] for row in rows)
    repairs = Repairs(
        tuple(row[0] / total * share for row in rows),
        tuple(row[1] for row in rows),
        (repair,) * len(rows),
        call,
    )
    assert repairs.plan().cost == pytest.approx(repairs.cheapest().cost, rel=1e-9, abs=1e-12)


@settings(max_examples=40, deadline=None)
@given(_P, st.data())
def test_sure_separate_actions_are_independent_repairs(p: list[float], data: st.DataObject) -> None:
    total = math.fsum(p)
    p = [x / total for x in p]
    n = len(p)
    cost = tuple(data.draw(st.floats(0.1, 30)) for _ in p)
    actions = Actions(
        tuple(p), tuple(tuple(float(i == j) for j in range(n)) for i in range(n)), cost, 500.0
    )
    repairs = Repairs(tuple(p), cost, (0.0,) * n, 500.0)
    order = repairs.pc_order()
    assert actions.expected_cost(order) == pytest.approx(repairs.cost(order), rel=1e-9)
    assert actions.expected_cost(actions.updating_order()) == pytest.approx(
        repairs.cost(order), rel=1e-9
    )


def test_a_repair_dearer_than_the_call_is_left_out() -> None:
    repairs = Repairs((0.5, 0.5), (1.0, 2.0), (90.0, 1.0), 50.0)
    assert repairs.plan() == Plan((1,), 2.0 + 0.5 + 25.0)
    assert repairs.plan().cost == pytest.approx(repairs.cheapest().cost)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Repairs((0.5,), (1.0, 2.0), (1.0,)), "differ in length"),
        (lambda: Repairs((0.7, 0.7), (1.0, 2.0), (1.0, 1.0)), "more than 1"),
        (lambda: Repairs((math.nan,), (1.0,), (1.0,)), "no probability"),
        (lambda: Repairs((0.5,), (-1.0,), (1.0,)), "no cost"),
        (lambda: Repairs((0.5,), (1.0,), (1.0,)).cost((0, 0)), "no order"),
        (lambda: Actions((1.0,), ((0.5, 0.5),), (1.0,), 5.0), "one number per cause"),
        (lambda: Repairs((0.1,) * 9, (1.0,) * 9, (1.0,) * 9).cheapest(), "too many"),
    ],
)
def test_what_is_no_plan_is_refused(make: Any, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        make()
