"""Properties of the decision: never looser, never silent, never fooled by not looking."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.bench.case import read_case
from pitwise.bench.decide import (
    STRICTNESS,
    Decision,
    Inspection,
    Overrule,
    PartLook,
    decide,
    overrule_needs,
)
from pitwise.measure.depth import parse_depth
from pitwise.trade import base_sheet
from pitwise.trade.model import PART_SLUGS, ProcessSelector

SHEET = base_sheet()
FINDINGS = [(f.part, f.id) for f in SHEET.findings]
HEAVY = ProcessSelector(amps=300, material="mild steel")


def make(
    seen: frozenset[tuple[str, str]] = frozenset(),
    *,
    unlooked: frozenset[str] = frozenset(),
    pit: str | None = "0.40 mm",
    u: float | None = 0.03,
    **more: Any,
) -> Inspection:
    parts = {
        slug: PartLook(
            frozenset(f for p, f in seen if p == slug),
            looked=slug not in unlooked,
            pit=(parse_depth(pit),) if slug == "electrode" and pit else (),
        )
        for slug in PART_SLUGS
        if slug not in unlooked or any(p == slug for p, _ in seen)
    }
    return Inspection(parts, HEAVY, gauge_u_mm=u, **more)


def actions(decision: Decision) -> dict[str, str]:
    return {slug: part.action for slug, part in decision.parts.items()}


some = st.frozensets(st.sampled_from(FINDINGS), max_size=6)
parts_sets = st.frozensets(st.sampled_from(PART_SLUGS))
pits = st.integers(0, 300).map(lambda n: f"{Decimal(n) / 100} mm")


@given(some, some, parts_sets, pits)
def test_more_seen_findings_never_loosen_an_action(
    first: frozenset[tuple[str, str]],
    more: frozenset[tuple[str, str]],
    unlooked: frozenset[str],
    pit: str,
) -> None:
    before = actions(decide(SHEET, make(first, unlooked=unlooked, pit=pit)))
    after = actions(decide(SHEET, make(first | more, unlooked=unlooked, pit=pit)))
    for slug in PART_SLUGS:
        assert STRICTNESS.index(after[slug]) >= STRICTNESS.index(before[slug])


@given(
    some, parts_sets, st.integers(0, 300), st.integers(0, 300), st.floats(0, 0.4), st.floats(0, 0.4)
)
def test_a_deeper_pit_or_a_larger_u_never_loosens_any_part(
    seen: frozenset[tuple[str, str]], unlooked: frozenset[str], a: int, b: int, u: float, v: float
) -> None:
    low, high = sorted((Decimal(a) / 100, Decimal(b) / 100))
    small, large = sorted((u, v))
    before = actions(decide(SHEET, make(seen, unlooked=unlooked, pit=f"{low} mm", u=small)))
    after = actions(decide(SHEET, make(seen, unlooked=unlooked, pit=f"{high} mm", u=large)))
    for slug in PART_SLUGS:
        assert STRICTNESS.index(after[slug]) >= STRICTNESS.index(before[slug])


@given(some, parts_sets, pits)
def test_every_action_has_a_reason_that_asks_for_it_with_a_source(
    seen: frozenset[tuple[str, str]], unlooked: frozenset[str], pit: str
) -> None:
    decision = decide(SHEET, make(seen, unlooked=unlooked, pit=pit))
    assert set(decision.parts) == set(PART_SLUGS)
    for part in decision.parts.values():
        assert part.because
        assert part.because[0].action == part.action
        assert all(r.text and r.source for r in part.because)


@given(some, parts_sets, st.one_of(st.none(), pits))
def test_nothing_unlooked_is_ever_released(
    seen: frozenset[tuple[str, str]], unlooked: frozenset[str], pit: str | None
) -> None:
    decision = decide(SHEET, make(seen, unlooked=unlooked, pit=pit))
    got = set(actions(decision).values())
    assert (decision.set_state == "release") == (got == {"keep"})
    if unlooked or pit is None:
        assert decision.set_state != "release"
    assert (decision.set_state == "incomplete") == bool(got & {"recheck", "not-looked"})


@given(some, pits)
def test_electrode_and_nozzle_are_replaced_together(
    seen: frozenset[tuple[str, str]], pit: str
) -> None:
    got = actions(decide(SHEET, make(seen, pit=pit)))
    assert (got["electrode"] == "replace") == (got["nozzle"] == "replace")


@given(st.permutations(FINDINGS[:40]), st.permutations(PART_SLUGS))
def test_the_order_of_input_does_not_matter(
    findings: list[tuple[str, str]], slugs: list[str]
) -> None:
    def data(rows: Sequence[tuple[str, str]], order: Sequence[str]) -> dict[str, Any]:
        return {
            "parts": {s: {"looked": True, "seen": [f for p, f in rows if p == s]} for s in order}
        }

    one = decide(SHEET, read_case(SHEET, data(findings, slugs)))
    two = decide(SHEET, read_case(SHEET, data(FINDINGS[:40], list(PART_SLUGS))))
    assert one.plain() == two.plain()


def test_a_dragged_part_says_by_what_and_gives_nothing_back() -> None:
    decision = decide(SHEET, make(frozenset({("electrode", "emitter-blown")})))
    nozzle, electrode = decision.parts["nozzle"], decision.parts["electrode"]
    assert nozzle.because[0].rule == "taken-along-by-electrode"
    assert [r.rule for r in electrode.because if r.rule.startswith("taken")] == []
    both = decide(SHEET, make(frozenset({("electrode", "emitter-blown"), ("nozzle", "crack")})))
    assert "taken-along-by-nozzle" in {r.rule for r in both.parts["electrode"].because}
    assert "taken-along-by-electrode" in {r.rule for r in both.parts["nozzle"].because}


def test_questions_hold_the_electrode_until_answered() -> None:
    case = make(pit="1.45 thou")
    held = decide(SHEET, case)
    assert held.parts["electrode"].action == "recheck"
    assert [f.code for f in held.open_questions()] == ["unit-slip"]
    answered = decide(SHEET, make(pit="1.45 thou", answered=frozenset({"unit-slip"})))
    assert answered.parts["electrode"].action == "keep"
    assert answered.open_questions() == ()
    assert [f.code for f in answered.flags] == ["unit-slip"]


def test_pink_stain_is_normal_but_questioned_where_the_coolant_is_water() -> None:
    seen = frozenset({("shield", "pink-stain")})
    glycol = decide(SHEET, make(seen, coolant="glycol-mix"))
    water = decide(SHEET, make(seen, coolant="water"))
    unknown = decide(SHEET, make(seen))
    assert {d.parts["shield"].action for d in (glycol, water, unknown)} == {"keep"}
    assert [f.code for f in water.flags] == ["pink-without-glycol"]
    assert glycol.flags == unknown.flags == ()


def test_an_overrule_holds_until_a_reason_nobody_saw() -> None:
    seen = frozenset({("nozzle", "arc-marks")})
    computed = decide(SHEET, make(seen))
    rules = frozenset(r.rule for r in computed.parts["nozzle"].because)
    keep = Overrule("nozzle", "keep", rules)
    after = decide(SHEET, make(seen), [keep])
    assert after.parts["nozzle"].action == "keep"
    assert after.parts["nozzle"].computed == "replace"
    assert after.parts["electrode"].action == "keep"
    worse = decide(SHEET, make(seen | {("nozzle", "crack")}), [keep])
    assert worse.parts["nozzle"].action == "replace"
    assert worse.parts["nozzle"].overrule is None
    dragged = decide(SHEET, make(seen | {("electrode", "emitter-blown")}), [keep])
    assert dragged.parts["nozzle"].action == "replace"


def test_tightening_by_overrule_drags_too() -> None:
    fine = decide(SHEET, make())
    rules = frozenset(r.rule for r in fine.parts["electrode"].because)
    after = decide(SHEET, make(), [Overrule("electrode", "replace", rules)])
    assert after.parts["nozzle"].action == "replace"


@pytest.mark.parametrize(
    ("seen", "pit", "part", "action", "who"),
    [
        ({("nozzle", "arc-marks")}, "0.4 mm", "nozzle", "keep", "anyone"),
        ({("nozzle", "scale")}, "0.4 mm", "nozzle", "replace", "anyone"),
        (set(), "1.6 mm", "electrode", "keep", "lead"),
        (set(), "1.6 mm", "electrode", "clean", "lead"),
        (set(), "1.48 mm", "electrode", "keep", "lead"),
        (set(), "1.48 mm", "electrode", "replace", "anyone"),
        (set(), "1.45 thou", "electrode", "keep", "lead"),
        (set(), None, "electrode", "keep", None),
        (set(), None, "electrode", "clean", None),
        (set(), None, "electrode", "replace", "anyone"),
    ],
)
def test_who_may_overrule(
    seen: set[tuple[str, str]], pit: str | None, part: str, action: Any, who: str | None
) -> None:
    decision = decide(SHEET, make(frozenset(seen), pit=pit)).parts[part]
    assert overrule_needs(decision, action) == who


def test_a_finding_the_part_does_not_have_is_an_error() -> None:
    with pytest.raises(KeyError, match="no finding 'pit'"):
        decide(SHEET, Inspection({"nozzle": PartLook(frozenset({"pit"}))}))
