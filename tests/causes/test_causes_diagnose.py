"""The diagnosis: exact in the sheet's network, honest on what it does not know, its next step."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from kit_causes import by_enumeration, small_sheet

from pitwise.causes.diagnose import Diagnosis, Observations, Reading, diagnose
from pitwise.causes.from_bench import symptoms_from_bench
from pitwise.causes.learn import Case, learn
from pitwise.causes.model import build
from pitwise.causes.network import NetworkError
from pitwise.causes.remedy import first_remedies, first_remedy, plainly_absent
from pitwise.causes.step import worth_of_checks
from pitwise.causes.temper import Tempering
from pitwise.causes.words import BANDS, percent, probability_word
from pitwise.trade import base_sheet
from pitwise.trade.given import InputError

SMALL = small_sheet()
BASE = base_sheet()
CAP = math.log(20)


def _seen(**findings: Any) -> Observations:
    return Observations(findings=findings)


def _logit(p: float) -> float:
    return math.log(p / (1 - p))


def _p(found: Diagnosis) -> dict[str, float]:
    return {c.id: c.p for c in found.causes}


@pytest.mark.parametrize(
    ("findings", "ratios"),
    [
        ({}, {}),
        ({"S_blue": "seen"}, {}),
        ({"S_blue": "seen", "S_bent": "absent", "S_dross": "slight"}, {}),
        ({"S_dross": "much", "S_twin": "seen"}, {}),
        ({"S_dross": "seen", "S_blue": "absent"}, {"S_low": 1.3}),
        ({"S_blue": "seen"}, {"S_low": -2.0, "S_bent": 0.7}),
        ({"S_dross": "absent"}, {"S_low": 9.0}),
    ],
)
def test_posteriors_are_exact(findings: Any, ratios: dict[str, float]) -> None:
    found = diagnose(SMALL, Observations(findings=findings, log_ratios=ratios))
    capped = {k: max(-CAP, min(CAP, v)) for k, v in ratios.items()}
    for cause, p in by_enumeration(SMALL, findings, capped).items():
        assert _p(found)[cause] == pytest.approx(p, abs=1e-12)


def test_not_looked_at_is_not_absent() -> None:
    nothing = _p(diagnose(SMALL, _seen(S_blue="seen")))
    absent = _p(diagnose(SMALL, _seen(S_blue="seen", S_bent="absent")))
    assert absent["tube"] < nothing["tube"]
    assert diagnose(SMALL, _seen(S_blue="seen")).not_looked == (
        "S_low",
        "S_bent",
        "S_dross",
        "S_twin",
        "S_twin2",
    )


def test_a_fact_seen_twice_counts_once() -> None:
    once = _p(diagnose(SMALL, _seen(S_twin="seen")))
    twice = _p(diagnose(SMALL, _seen(S_twin="seen", S_twin2="seen")))
    apart = by_enumeration(SMALL, {"S_twin": "seen", "S_twin2": "seen"})
    assert twice["flow"] < apart["flow"]
    assert abs(twice["flow"] - once["flow"]) < 0.1


def test_a_reading_tells_by_its_odds_and_what_was_looked_at_goes_first() -> None:
    low = Observations(readings={"flow_rate": Reading(3.9, "l/min")})
    ratio = math.log(0.6914624612740131 / 0.3085375387259869)
    wanted = by_enumeration(SMALL, {}, {"S_low": ratio})
    assert _p(diagnose(SMALL, low))["flow"] == pytest.approx(wanted["flow"], abs=1e-12)
    both = replace(low, findings={"S_low": "absent"}, readings={"flow_rate": Reading(2, "l/min")})
    found = diagnose(SMALL, both)
    assert _p(found)["flow"] == pytest.approx(
        by_enumeration(SMALL, {"S_low": "absent"})["flow"], abs=1e-12
    )
    assert found.step.do == "answer"
    assert found.step.id == "two-answers-S_low"
    settled = diagnose(SMALL, replace(both, answered=frozenset({"two-answers-S_low"})))
    assert settled.step.do != "answer"


def test_a_reading_without_range_says_so_and_tells_nothing() -> None:
    found = diagnose(SMALL, Observations(readings={"dross_height": Reading(9, "mm")}))
    (flag,) = [f for f in found.flags if f.code == "no-range"]
    assert 'id = "dross_height"' in flag.text
    assert flag.symptoms == ("S_dross",)
    assert _p(found) == pytest.approx({"flow": 0.2, "tube": 0.1, "gas": 0.05})
    assert "S_dross" in found.not_looked


def test_for_and_against_are_what_leaving_out_changes() -> None:
    findings = {"S_blue": "seen", "S_low": "absent", "S_bent": "seen"}
    found = diagnose(SMALL, _seen(**findings))
    tube = next(c for c in found.causes if c.id == "tube")
    full = by_enumeration(SMALL, findings)
    for told in (*tube.for_, *tube.against):
        less = by_enumeration(SMALL, {k: v for k, v in findings.items() if k != told.symptom})
        assert told.shift == pytest.approx(_logit(full["tube"]) - _logit(less["tube"]), abs=1e-9)
    assert [t.symptom for t in tube.for_][:1] == ["S_bent"]
    flow = next(c for c in found.causes if c.id == "flow")
    assert "S_low" in [t.symptom for t in flow.against]


def test_explanations_are_sets_with_their_probabilities() -> None:
    found = diagnose(SMALL, _seen(S_blue="seen", S_bent="seen"))
    assert len(found.explanations) == 5
    assert found.explanations[0].causes == ("tube",)
    ps = [e.p for e in found.explanations]
    assert ps == sorted(ps, reverse=True)
    assert sum(ps) <= 1 + 1e-12


def test_ranges_hold_p_and_narrow_with_cases() -> None:
    seen = _seen(S_blue="seen", S_bent="absent")
    wide = diagnose(SMALL, seen)
    case = Case(
        frozenset({"flow"}),
        {"S_blue": True, "S_low": True, "S_bent": False, "S_dross": False},
    )
    learnt = learn(SMALL, [case] * 100)
    narrow = diagnose(SMALL, seen, learnt=learnt)
    for c in (*wide.causes, *narrow.causes):
        assert 0 <= c.low <= c.p <= c.high <= 1
    one, two = (next(c for c in f.causes if c.id == "flow") for f in (wide, narrow))
    assert two.high - two.low < one.high - one.low
    assert two.base > 0.5


def test_same_input_same_diagnosis_whatever_the_order() -> None:
    one = _seen(S_blue="seen", S_low="absent", S_dross="much")
    two = Observations(findings=dict(reversed(list(one.findings.items()))))
    assert diagnose(SMALL, one) == diagnose(SMALL, one)
    first, second = diagnose(SMALL, one), diagnose(SMALL, two)
    assert [c.id for c in first.causes] == [c.id for c in second.causes]
    np.testing.assert_allclose([c.p for c in first.causes], [c.p for c in second.causes], 1e-12)


def test_nothing_known_gives_usual_rates_and_no_advice_to_repair() -> None:
    found = diagnose(SMALL, Observations())
    assert _p(found) == pytest.approx({"flow": 0.2, "tube": 0.1, "gas": 0.05})
    assert [f.code for f in found.flags] == ["nothing-looked-at"]
    assert found.step.do == "none"
    assert found.next[0].name in found.step.why
    assert {n.check for n in found.next} == {"K_look", "K_flow", "K_tube", "K_cut"}


def test_checks_close_and_what_comes_first_adds_its_minutes() -> None:
    found = {n.check: n for n in diagnose(SMALL, _seen(S_blue="seen", S_dross="slight")).next}
    assert "K_cut" not in found
    assert found["K_look"].reveals == ("S_twin", "S_twin2")
    assert found["K_tube"].first == ("K_look",)
    assert found["K_tube"].minutes == 6.0
    done = Observations(findings={"S_blue": "seen"}, done=frozenset({"K_look"}))
    after = {n.check: n for n in diagnose(SMALL, done).next}
    assert "K_look" not in after
    assert after["K_tube"].minutes == 4.0
    rates = [n.gain_bits / n.minutes for n in diagnose(SMALL, done).next]
    assert rates == sorted(rates, reverse=True)


def test_a_sure_cause_is_cured_first() -> None:
    found = diagnose(
        SMALL,
        Observations(
            findings={"S_bent": "seen", "S_blue": "seen", "S_low": "absent"},
            answered=frozenset({"blue-but-flow"}),
        ),
    )
    assert found.causes[0].id == "tube"
    assert found.causes[0].p > 0.8
    assert (found.step.do, found.step.id, found.step.cause) == ("try", "new-tube", "tube")


def test_a_short_repair_goes_before_a_long_check() -> None:
    # 66 % for gas: 5 minutes' repair wastes less than two minutes' look.
    found = diagnose(SMALL, _seen(S_dross="much"))
    assert found.causes[0].id == "gas"
    assert 0.5 < found.causes[0].p < 0.8
    assert found.step.do == "try"
    assert "electrician" in found.step.why


def test_of_the_checks_that_pay_the_one_that_tells_most_per_minute() -> None:
    model = build(SMALL)
    seen = {"S_blue": "seen"}
    found = diagnose(SMALL, _seen(**seen))
    evidence = model.evidence(seen, {})  # type: ignore[arg-type]
    worth = worth_of_checks(SMALL, model, evidence, found.next, first_remedies(SMALL, ()), 0)
    pays = [
        n.check
        for n, saved in zip(found.next, worth.saved_minutes, strict=True)
        if float(SMALL.constant("check-worth")) * saved > n.minutes
    ]
    if pays:
        assert (found.step.do, found.step.id) == ("check", pays[0])
    else:
        assert (found.step.do, found.step.id) == ("try", found.repairs[0].remedy)
    dear = replace(
        SMALL,
        remedies=tuple(r.model_copy(update={"minutes": 900}) for r in SMALL.remedies),
    )
    assert diagnose(dear, _seen(**seen)).step.do == "check"


def test_with_nothing_left_to_look_at_the_best_repair_per_minute_is_tried() -> None:
    done = frozenset(c.id for c in SMALL.checks)
    found = diagnose(SMALL, Observations(findings={"S_blue": "seen"}, done=done))
    assert found.next == ()
    assert found.step.do == "try"
    best = max(found.repairs, key=lambda r: r.p / r.minutes)
    assert found.repairs[0] == best
    assert found.step.id == best.remedy
    clean = diagnose(
        SMALL,
        Observations(findings={s.id: "absent" for s in SMALL.symptoms}, done=done),
    )
    assert clean.step.do == "none"


def test_conflicts_are_asked_first_until_answered() -> None:
    seen = _seen(S_blue="seen", S_low="absent")
    found = diagnose(SMALL, seen)
    assert (found.step.do, found.step.id) == ("answer", "blue-but-flow")
    assert found.flags[0].ask == "Is the flow meter right?"
    answered = diagnose(SMALL, replace(seen, answered=frozenset({"blue-but-flow"})))
    assert answered.step.do != "answer"
    assert answered.flags[0].answered
    by_reading = Observations(
        findings={"S_blue": "seen"}, readings={"flow_rate": Reading(8, "l/min")}
    )
    assert diagnose(SMALL, by_reading).step.id == "blue-but-flow"


def test_context_of_a_conflict_and_unknown_context() -> None:
    seen = _seen(S_twin="seen")
    assert not diagnose(SMALL, seen).flags
    bottled = replace(seen, context={"gas_supply": "Bottled"})
    assert diagnose(SMALL, bottled).step.id == "twins-in-bottles"
    odd = diagnose(SMALL, replace(seen, context={"gas_suply": "bottled", "amps": "200"}))
    assert [f.code for f in odd.flags] == ["unknown-context"]
    assert "gas_supply" in odd.flags[0].text


def test_a_cause_ruled_out_leaves_the_others_to_explain() -> None:
    seen = _seen(S_blue="seen")
    found = diagnose(SMALL, replace(seen, excluded=frozenset({"flow"})))
    flow = next(c for c in found.causes if c.id == "flow")
    assert (flow.p, flow.low, flow.high, flow.word) == (0.0, 0.0, 0.0, "ruled out")
    assert _p(found)["tube"] > _p(diagnose(SMALL, seen))["tube"]
    assert all(r.cause != "flow" for r in found.repairs)
    # It may have been at work together with another, which is now sure to be: not prior 0.
    others = [c.p for c in found.causes if c.id != "flow"]
    assert sum(others) > 0.9
    assert not any("flow" in e.causes for e in found.explanations)
    none = diagnose(SMALL, replace(seen, excluded=frozenset(c.id for c in SMALL.causes)))
    assert none.step.do == "none"


def test_learnt_numbers_go_before_the_sheets() -> None:
    learnt = learn(SMALL, [Case(frozenset({"tube"}), {"S_blue": True})] * 30)
    found = diagnose(SMALL, _seen(S_blue="seen"), learnt=learnt)
    assert _p(found)["tube"] > 0.5
    changed = replace(
        SMALL,
        causes=tuple(
            c.model_copy(update={"base_rate": learnt.base[c.id].mean}) for c in SMALL.causes
        ),
        links=tuple(
            k.model_copy(update={"p": learnt.link[k.cause, k.symptom].mean}) for k in SMALL.links
        ),
        symptoms=tuple(
            s.model_copy(update={"leak": learnt.leak[s.id].mean}) for s in SMALL.symptoms
        ),
    )
    for cause, p in by_enumeration(changed, {"S_blue": "seen"}).items():
        assert _p(found)[cause] == pytest.approx(p, abs=1e-12)


def test_tempering_holds_back() -> None:
    seen = _seen(S_bent="seen")
    plain = _p(diagnose(SMALL, seen))["tube"]
    for constants in ({"temper_leak_floor": "0.1"}, {"temper_odds": "0.6"}):
        held = _p(diagnose(small_sheet(**constants), seen))["tube"]
        assert 0.1 < held < plain
    kept = diagnose(small_sheet(temper_link_keep="0.5"), seen)
    weaker = replace(SMALL, links=tuple(k.model_copy(update={"p": k.p / 2}) for k in SMALL.links))
    assert _p(kept)["tube"] == pytest.approx(by_enumeration(weaker, seen.findings)["tube"])


def test_tempered_probabilities_stay_between_base_and_posterior() -> None:
    p, base = np.array([0.0, 0.2, 0.9, 1.0]), np.array([0.1, 0.5, 0.5, 0.5])
    np.testing.assert_array_equal(Tempering().posterior(p, base, 9), p)
    out = Tempering(odds=0.5).posterior(p, base, [9, 9, 9, 9])
    assert out[0] == 0
    assert out[3] == 1
    assert 0.2 < out[1] < 0.5 < out[2] < 0.9
    with pytest.raises(ValueError, match="temper-odds"):
        Tempering(odds=0.0)


@pytest.mark.parametrize(
    ("observed", "words"),
    [
        (_seen(S_bleu="seen"), "did you mean 'S_blue'"),
        (_seen(S_blue="much"), "graded findings only"),
        (_seen(S_blue="perhaps"), "no state"),
        (Observations(readings={"flow_rat": Reading(1, "l/min")}), "did you mean 'flow_rate'"),
        (Observations(readings={"flow_rate": Reading(1, "bar")}), "measures"),
        (Observations(readings={"flow_rate": Reading(math.nan, "l/min")}), "no number"),
        (Observations(log_ratios={"S_low": math.nan}), "finite"),
        (Observations(done=frozenset({"K_lok"})), "did you mean 'K_look'"),
        (Observations(excluded=frozenset({"flo"})), "did you mean 'flow'"),
        (Observations(answered=frozenset({"blue-but"})), "did you mean"),
    ],
)
def test_what_does_not_fit_is_refused_with_a_mend(observed: Observations, words: str) -> None:
    with pytest.raises(InputError, match=words):
        diagnose(SMALL, observed)


def test_plain_form_is_the_pinned_one() -> None:
    plain = diagnose(SMALL, _seen(S_blue="seen", S_low="seen")).plain()
    text = json.dumps(plain, allow_nan=False)
    assert json.loads(text) == plain
    assert {"id", "name", "p", "for", "against"} <= plain["causes"][0].keys()
    assert plain["causes"][0]["for"][0] == "S_low"
    assert {"causes", "p"} <= plain["explanations"][0].keys()
    assert {"check", "gain_bits", "minutes", "reveals"} <= plain["next"][0].keys()
    assert {"do", "id", "cause", "why"} == plain["step"].keys()


_STATES = {
    "plain": ["seen", "absent"],
    "reading": ["seen", "absent"],
    "graded": ["seen", "absent", "slight", "much"],
}


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_any_findings_of_the_base_sheet_give_a_sound_diagnosis(data: st.DataObject) -> None:
    rows = data.draw(st.lists(st.sampled_from(BASE.symptoms), max_size=14, unique=True))
    findings: Any = {s.id: data.draw(st.sampled_from(_STATES[s.kind])) for s in rows}
    found = diagnose(BASE, Observations(findings=findings))
    json.dumps(found.plain(), allow_nan=False)
    assert len(found.causes) == len(BASE.causes)
    for c in found.causes:
        assert 0 <= c.low <= c.p <= c.high <= 1
        assert {t.symptom for t in (*c.for_, *c.against)} <= findings.keys()
    assert all(n.gain_bits >= 0 and n.reveals for n in found.next)
    assert found.step.why


def test_bench_findings_become_symptoms() -> None:
    row = next(s for s in BASE.symptoms if len(s.bench) > 1 and s.bench_absent)
    names = [name.split("/") for name in row.bench]
    (part, word), *others = names
    assert symptoms_from_bench(BASE, {part: ({word}, (), False)})[row.id] == "seen"
    absent = {p: ((), (), True) for p, _ in names}
    assert symptoms_from_bench(BASE, absent)[row.id] == "absent"
    some = {part: ((), {word}, False)}
    assert row.id not in symptoms_from_bench(BASE, some)
    assert symptoms_from_bench(BASE, {}) == {}
    never = [s for s in BASE.symptoms if s.bench and not s.bench_absent]
    everything: dict[str, Any] = {p.id: ((), (), True) for p in BASE.parts}
    assert not {s.id for s in never} & symptoms_from_bench(BASE, everything).keys()
    assert others


def test_a_bench_finding_that_covers_more_does_not_show_the_symptom() -> None:
    """A damaged ring is not yet a melted one; all rings sound does say that none is melted."""
    vague = [s for s in BASE.symptoms if s.bench and not s.bench_seen]
    assert vague
    for row in vague:
        pairs = [name.split("/") for name in row.bench]
        looks: dict[str, Any] = {p.id: ((), (), True) for p in BASE.parts}
        assert symptoms_from_bench(BASE, looks)[row.id] == "absent"
        looks[pairs[0][0]] = ({pairs[0][1]}, (), True)
        assert row.id not in symptoms_from_bench(BASE, looks)


def test_words_of_probabilities() -> None:
    assert [probability_word(p) for p in (0, 0.05, 0.15, 0.4, 0.6, 0.8, 0.95, 1)] == [
        word for _, word in reversed(BANDS)
    ] + ["almost certain"]
    assert (percent(0.0), percent(0.004), percent(0.5), percent(0.999)) == (
        "under 1 %",
        "under 1 %",
        "50 %",
        "over 99 %",
    )
    with pytest.raises(ValueError, match="no probability"):
        probability_word(1.2)


def test_far_too_much_seen_at_once_is_refused() -> None:
    findings: Any = {s.id: "seen" for s in BASE.symptoms}
    with pytest.raises(NetworkError, match="too many to rank"):
        diagnose(BASE, Observations(findings=findings))


def test_with_much_seen_at_once_fewer_numbers_are_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = _seen(S_blue="seen", S_twin="seen")
    plain = diagnose(SMALL, seen)
    monkeypatch.setattr("pitwise.causes.diagnose._WORK", 1.0)
    found = diagnose(SMALL, seen)
    assert [f.code for f in found.flags] == ["rough-range"]
    assert _p(found) == _p(plain)
    assert all(c.low <= c.p <= c.high for c in found.causes)


def test_what_would_take_seconds_is_refused() -> None:
    names = [s.id for s in BASE.symptoms]
    much = random.Random(3).sample(names, 50)
    with pytest.raises(NetworkError, match="too many to rank"):
        diagnose(BASE, Observations(findings=dict.fromkeys(much, "seen")))
    some = random.Random(3).sample(names, 30)
    assert diagnose(BASE, Observations(findings=dict.fromkeys(some, "seen"))).causes[0].p > 0.5


def test_a_remedy_for_what_was_not_there_is_passed_over() -> None:
    seen: Any = dict.fromkeys(("W_flow", "W_filter", "W_hot", "R_coolerr", "E_blue"), "seen")
    there = diagnose(BASE, Observations(findings=seen))
    assert (there.step.do, there.step.id) == ("try", "coolant-top-up")
    half = diagnose(BASE, Observations(findings=seen | {"W_level": "absent"}))
    assert half.step.id == "coolant-top-up"
    none: Any = dict.fromkeys(("W_level", "W_bub"), "absent")
    gone = diagnose(BASE, Observations(findings=seen | none))
    assert (gone.step.do, gone.step.id) == ("try", "coolant-filter")
    assert "passed over" in gone.step.why
    assert next(r for r in gone.repairs if r.cause == "cool_low").remedy == "coolant-filter"


def test_of_remedies_all_passed_over_the_first_left_is_tried() -> None:
    row = BASE.remedies_of("cool_low")[0]
    absent = {s for r in BASE.remedies_of("cool_low") for s in r.unless_absent}
    tried = {"coolant-pump"}
    assert first_remedy(BASE, "cool_low", absent, tried) == row
    last = first_remedy(BASE, "cool_low", absent, tried | {row.id})
    assert last is not None
    assert last.id == "coolant-filter"
    assert first_remedy(BASE, "cool_low", (), {r.id for r in BASE.remedies}) is None
    assert plainly_absent({"a": "absent", "b": "seen"}, {"c": -3.0, "d": -1.0, "b": -3.0}) == {
        "a",
        "c",
    }


def _codes(found: Diagnosis) -> set[str]:
    return {f.code for f in found.flags}


@pytest.mark.parametrize(
    ("findings", "code"),
    [
        ({"R_coolerr": "seen", "W_flow": "absent"}, "flow-error-yet-flowing"),
        ({"Q_out": "seen", "R_off": "absent"}, "goes-out-yet-no-errors"),
        ({"N_spat": "seen", "H_spat": "absent"}, "spatter-behind-clean-shield"),
    ],
)
def test_a_fact_told_two_ways_is_asked_about(findings: Any, code: str) -> None:
    found = diagnose(BASE, Observations(findings=findings))
    assert code in _codes(found)
    assert found.step.do == "answer"
    settled = Observations(findings=findings, answered=frozenset({code}))
    assert diagnose(BASE, settled).step.do != "answer"


def test_signs_that_often_come_alone_ask_nothing() -> None:
    """Of one group, yet a dented shield under a sound cap is no contradiction."""
    for seen, absent in (("H_dent", "C_scrape"), ("E_soot", "N_soot"), ("G_flowlow", "G_still")):
        found = diagnose(BASE, Observations(findings={seen: "seen", absent: "absent"}))
        assert not [f for f in found.flags if f.ask]


def test_an_absent_member_leaves_the_rest_of_its_group_open() -> None:
    for observed in (
        _seen(S_blue="seen", S_twin="absent"),
        Observations(findings={"S_blue": "seen"}, log_ratios={"S_twin": -2.0}),
    ):
        look = next(n for n in diagnose(SMALL, observed).next if n.check == "K_look")
        assert look.reveals == ("S_twin2",)
        assert look.gain_bits > 1e-3
    there = next(
        n for n in diagnose(SMALL, _seen(S_blue="seen", S_twin="seen")).next if n.check == "K_tube"
    )
    assert there.gain_bits > 0


def test_a_word_of_context_no_question_asks_for_is_said() -> None:
    found = diagnose(BASE, Observations(context={"gas_supply": "tank"}))
    (flag,) = [f for f in found.flags if f.code == "unknown-value"]
    assert "'tank'" in flag.text
    assert "'bottled'" in flag.text
    for known in ("bottled", " Bottled "):
        got = diagnose(BASE, Observations(context={"gas_supply": known}))
        assert "unknown-value" not in _codes(got)
    assert "unknown-value" not in _codes(diagnose(BASE, Observations(context={"amps": "200"})))


@pytest.mark.parametrize(
    ("flowing", "unit", "asked"), [(7.0, "bar", True), (5.5, "bar", False), (110.0, "psi", True)]
)
def test_more_pressure_flowing_than_still_is_asked_about(
    flowing: float, unit: str, asked: bool
) -> None:
    readings = {"gas_static": Reading(6.0, "bar"), "gas_flowing": Reading(flowing, unit)}
    found = diagnose(BASE, Observations(readings=readings))
    assert ("flowing-above-still" in _codes(found)) == asked
    alone = diagnose(BASE, Observations(readings={"gas_flowing": Reading(flowing, unit)}))
    assert "flowing-above-still" not in _codes(alone)
