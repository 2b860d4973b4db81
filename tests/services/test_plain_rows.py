"""Rows kept as JSON come back as they were."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.causes.diagnose import diagnose
from pitwise.causes.diagnosis import Diagnosis
from pitwise.causes.observe import Observations
from pitwise.services.plain_rows import from_plain, to_plain
from pitwise.trade import base_sheet


@dataclass(frozen=True)
class Inner:
    word: Literal["a", "b"]
    at: dt.datetime
    pair: tuple[str, float]


@dataclass(frozen=True)
class Outer:
    many: tuple[Inner, ...]
    one: Inner | None
    share: float
    count: int
    yes: bool
    ids: frozenset[str]
    by: Mapping[str, int]
    later: str = "new"


_TIMES = st.datetimes().map(lambda t: t.replace(tzinfo=dt.UTC))
_FLOATS = st.floats(allow_nan=False, allow_infinity=False)
_INNER = st.builds(Inner, st.sampled_from(["a", "b"]), _TIMES, st.tuples(st.text(), _FLOATS))
_OUTER = st.builds(
    Outer,
    st.lists(_INNER, max_size=3).map(tuple),
    st.none() | _INNER,
    _FLOATS,
    st.integers(),
    st.booleans(),
    st.frozensets(st.text(), max_size=3),
    st.dictionaries(st.text(), st.integers(), max_size=3),
    st.text(),
)


@given(_OUTER)
def test_what_is_kept_comes_back_the_same(row: Outer) -> None:
    assert from_plain(Outer, json.loads(json.dumps(to_plain(row)))) == row


def test_a_diagnosis_comes_back_the_same() -> None:
    made = diagnose(base_sheet(), Observations({"E_blue": "seen", "H_spat": "much"}))
    assert from_plain(Diagnosis, json.loads(json.dumps(to_plain(made)))) == made


def test_older_and_newer_rows_can_be_read_as_far_as_they_go() -> None:
    inner = {"word": "a", "at": "2031-03-03T06:00:00+00:00", "pair": ["x", 1]}
    data: dict[str, Any] = {
        "many": [inner],
        "one": None,
        "share": 1,
        "count": 2,
        "yes": True,
        "ids": [],
        "by": {},
        "unheard_of": 3,
    }
    row = from_plain(Outer, data)
    assert row.later == "new"
    assert row.many[0].pair == ("x", 1.0)
    wrong_ones: tuple[Any, ...] = (
        {k: v for k, v in data.items() if k != "count"},
        data | {"count": "two"},
        data | {"many": [inner | {"word": "c"}]},
        data | {"many": {}},
        [],
    )
    for wrong in wrong_ones:
        with pytest.raises(ValueError, match=r"."):
            from_plain(Outer, wrong)
