"""The file of `pitwise causes`: what it takes, and that every refusal has its place and mend."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from kit_causes import small_sheet

from pitwise.causes.file import parse_observations, read_observations
from pitwise.causes.pit import faster_of, pit_log_ratio
from pitwise.causes.readings import Reading
from pitwise.trade import base_sheet
from pitwise.trade.given import InputError

BASE = base_sheet()
SMALL = small_sheet()
MAPPED = next(s for s in BASE.symptoms if len(s.bench) == 1 and s.bench_absent)
PART, WORD = MAPPED.bench[0].split("/")


def test_findings_by_either_id() -> None:
    one = read_observations(BASE, {"findings": {MAPPED.id: "seen"}})
    two = read_observations(BASE, {"findings": {MAPPED.bench[0]: "seen"}})
    three = read_observations(BASE, {"parts": {PART: {"seen": [WORD]}}})
    assert one.findings[MAPPED.id] == "seen"
    assert two.findings == three.findings
    assert two.findings[MAPPED.id] == "seen"


def test_a_part_looked_over_makes_the_rest_absent() -> None:
    got = read_observations(BASE, {"parts": {PART: {"looked": True}}})
    assert got.findings[MAPPED.id] == "absent"
    assert read_observations(BASE, {"parts": {PART: {}}}).findings == {}


def test_an_inspection_file_is_taken_as_it_is() -> None:
    data = {
        "process": {"amps": 300},
        "coolant": "water",
        "confirmed": [],
        "gauge": {"u_mm": 0.03, "unit": "mm"},
        "parts": {
            "electrode": {
                "looked": True,
                "pit_depth": ["1.46 mm", "1.48 mm"],
                "last_pit_depth": "0.4 mm",
                "forecast": {"mean_mm": 0.9, "sd_mm": 0.1, "low_mm": 0.6, "high_mm": 1.2},
            }
        },
    }
    got = read_observations(BASE, data)
    wanted = pit_log_ratio(1.47, 0.9, math.hypot(0.1, 0.03 / math.sqrt(2)), faster_of(BASE))
    assert got.log_ratios["E_deep"] == pytest.approx(wanted)
    assert "E_deep" not in got.findings


def test_a_pit_without_forecast_tells_nothing() -> None:
    data = {"parts": {"electrode": {"pit_depth": 1.4}}}
    assert read_observations(BASE, data).log_ratios == {}


def test_a_finding_that_is_no_sign_is_named() -> None:
    signs = {name for s in BASE.symptoms for name in s.bench}
    part, word = next((f.part, f.id) for f in BASE.findings if f"{f.part}/{f.id}" not in signs)
    got = read_observations(BASE, {"parts": {part: {"seen": [word]}}})
    assert got.told_nothing == (f"{part}/{word}",)


def test_readings_by_their_own_id_or_the_finding_they_feed() -> None:
    given = {"value": 3.5, "unit": "l/min"}
    for name in ("flow_rate", "S_low"):
        got = read_observations(SMALL, {"readings": {name: given}})
        assert got.readings == {"flow_rate": Reading(3.5, "l/min")}


def test_the_rest() -> None:
    got = read_observations(
        SMALL,
        {
            "context": {"gas_supply": "bottled", "amps": 200},
            "answered": ["blue-but-flow"],
            "done": ["K_look"],
            "excluded": ["gas"],
        },
    )
    assert got.context == {"gas_supply": "bottled", "amps": "200"}
    assert got.answered == {"blue-but-flow"}
    assert got.done == {"K_look"}
    assert got.excluded == {"gas"}


@pytest.mark.parametrize(
    ("data", "place", "words"),
    [
        ([], "", "not an object"),
        ({"findigs": {}}, "findigs", "did you mean 'findings'"),
        ({"findings": []}, "findings", "not an object"),
        ({"findings": ["E_off"]}, "findings", "not an object"),
        ({"findings": {"S_bleu": "seen"}}, "findings.S_bleu", "did you mean 'S_blue'"),
        ({"findings": {"": "seen"}}, "findings.", "pitwise sheet show"),
        ({"findings": {"S_blue": True}}, "findings.S_blue", "not a state"),
        ({"findings": {"S_blue": "saw"}}, "findings.S_blue", "leave out what was not looked at"),
        ({"findings": {"S_blue": "much"}}, "findings.S_blue", "graded"),
        ({"findings": {"nozle/blued": "seen"}}, "findings.nozle/blued", "did you mean 'nozzle'"),
        ({"findings": {"nozzle/zz": "seen"}}, "findings.nozzle/zz", "not a finding"),
        ({"findings": {"nozzle/heat-blued": "much"}}, "findings.nozzle/heat-blued", "bench"),
        ({"parts": {"nozzel": {}}}, "parts.nozzel", "did you mean 'nozzle'"),
        ({"parts": {"nozzle": {"looked": "yes"}}}, "parts.nozzle.looked", "true or false"),
        ({"parts": {"nozzle": {"pit_depth": 1}}}, "parts.nozzle.pit_depth", "not a field"),
        ({"parts": {"electrode": {"pit_depth": []}}}, "parts.electrode.pit_depth", "0 readings"),
        ({"parts": {"electrode": {"pit_depth": "x"}}}, "parts.electrode.pit_depth[0]", "1.45 mm"),
        ({"gauge": {"unit": "ell"}}, "gauge.unit", "use mm, thou or in"),
        ({"gauge": {"unit": ["mm"]}}, "gauge.unit", "not a unit"),
        ({"readings": {"flow_rate": 3}}, "readings.flow_rate", "not an object"),
        ({"readings": {"flow_rate": {"value": 3}}}, "readings.flow_rate.unit", "missing"),
        (
            {"readings": {"flow_rate": {"value": "3", "unit": "l/min"}}},
            "readings.flow_rate.value",
            "not a number",
        ),
        (
            {"readings": {"flow_rate": {"value": math.nan, "unit": "l/min"}}},
            "readings.flow_rate.value",
            "out of range",
        ),
        (
            {"readings": {"flow_rate": {"value": 10**400, "unit": "l/min"}}},
            "readings.flow_rate.value",
            "out of range",
        ),
        (
            {"readings": {"flow_rate": {"value": 3, "unit": "l/mni"}}},
            "readings.flow_rate",
            "did you mean 'l/min'",
        ),
        (
            {"readings": {"flow_rate": {"value": 3, "unit": "bar"}}},
            "readings.flow_rate",
            "measures",
        ),
        (
            {
                "readings": {
                    "flow_rate": {"value": 3, "unit": "l/min"},
                    "S_low": {"value": 3, "unit": "l/min"},
                }
            },
            "readings.S_low",
            "stands twice",
        ),
        ({"readings": {"flowrate": {}}}, "readings.flowrate", "did you mean 'flow_rate'"),
        ({"context": {"amps": None}}, "context.amps", "not a word"),
        ({"context": {"amps": math.inf}}, "context.amps", "finite"),
        ({"context": {str(i): "x" for i in range(51)}}, "context", "at most 50"),
        ({"done": "K_look"}, "done", "not a list"),
        ({"done": [3]}, "done[0]", "not a text"),
    ],
)
def test_refusals(data: Any, place: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        read_observations(SMALL, data)
    assert caught.value.place == place
    assert words in str(caught.value)
    assert caught.value.mend


def test_contradictions_inside_the_file_are_refused() -> None:
    with pytest.raises(InputError, match="both seen and absent"):
        read_observations(BASE, {"parts": {PART: {"seen": [WORD], "absent": [WORD]}}})
    with pytest.raises(InputError, match="both seen and absent"):
        read_observations(
            BASE, {"parts": {PART: {"seen": [WORD]}}, "findings": {MAPPED.bench[0]: "absent"}}
        )
    with pytest.raises(InputError, match="correct one of the two"):
        read_observations(
            BASE, {"parts": {PART: {"seen": [WORD]}}, "findings": {MAPPED.id: "absent"}}
        )


def test_a_key_that_stands_twice_is_refused() -> None:
    with pytest.raises(InputError, match="stands twice"):
        parse_observations(SMALL, '{"findings":{"S_blue":"seen","S_blue":"absent"}}')


@pytest.mark.parametrize(
    "text", ["", "{", '{"findings":', "nul", "[" * 100_000, "\ud800", "{}x", '{"a":1e999}', "\x00"]
)
def test_text_that_is_no_file_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        parse_observations(SMALL, text)


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=8,
)


@settings(max_examples=150, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(["findings", "readings", "context", "parts", "done", "gauge", "excluded"]),
        _JSON
        | st.dictionaries(
            st.sampled_from(["S_blue", "S_dross", "flow_rate", "electrode", "nozzle/heat-blued"]),
            _JSON,
        ),
    )
)
def test_any_json_is_taken_or_refused_never_crashes(data: Any) -> None:
    mend = "none needed"
    try:
        read_observations(SMALL, json.loads(json.dumps(data)))
    except InputError as error:
        mend = error.mend
    assert mend
