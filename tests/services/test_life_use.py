"""What the book knows of a part's use holds the truth, whoever read the counters when."""

from __future__ import annotations

import datetime as dt
import math
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from pitwise.services.life_use import Boundary, Counters, Use

START = dt.datetime(2031, 3, 3, 6, tzinfo=dt.UTC)
_STEPS = st.lists(
    st.tuples(
        st.integers(0, 300),
        st.sampled_from(["read", "read", "unread", "change", "change unread", "by hand"]),
    ),
    min_size=1,
    max_size=20,
)


@given(_STEPS)
def test_the_true_use_lies_within_what_is_known(steps: list[tuple[int, str]]) -> None:
    """Every part is new when fitted; the counters run on, and are read now and then."""
    at, true, total = START, 0, 0
    rows: list[tuple[int, dt.datetime, bool, bool, float, float, int | None]] = [
        (1, START, True, True, 0, 0.0, 1)
    ]
    fit, fit_true = Boundary(START, 0, 0.0, 1), 0
    ended: list[tuple[Boundary, Boundary, int]] = []
    for number, (starts, what) in enumerate(steps, start=2):
        at += dt.timedelta(days=1)
        true += starts
        read = what in ("read", "change")
        total = true if read else total
        if what in ("read", "unread", "change", "change unread"):
            rows.append((1, at, read, read, total, total / 2, number))
        if what in ("change", "change unread", "by hand"):
            by = None if what == "by hand" else number
            edge = Boundary(at, total, total / 2, by)
            ended.append((fit, edge, true - fit_true))
            fit, fit_true = edge, true
    counters = Counters(rows)
    recorded = 0.0
    for begun, done, truth in ended:
        in_starts, in_minutes = counters.use(1, begun, done)
        assert in_starts.recorded - in_starts.fewer <= truth <= in_starts.recorded + in_starts.more
        assert in_minutes.recorded - in_minutes.fewer <= truth / 2
        assert truth / 2 <= in_minutes.recorded + in_minutes.more
        recorded += in_starts.recorded
    running, _ = counters.use(1, fit, None)
    # The part still in has run that much at least; and no start is counted twice, or lost.
    assert running.recorded - running.fewer <= true - fit_true
    assert recorded + running.recorded == total


@given(_STEPS)
def test_counters_read_every_time_leave_nothing_open(steps: list[tuple[int, str]]) -> None:
    at, total = START, 0
    rows: list[tuple[int, dt.datetime, bool, bool, float, float, int | None]] = []
    edges = []
    for number, (starts, _) in enumerate(steps):
        at += dt.timedelta(days=1)
        total += starts
        rows.append((1, at, True, True, total, 0.0, number))
        edges.append(Boundary(at, total, 0.0, number))
    counters = Counters(rows)
    for begun, done in pairwise(edges):
        assert counters.use(1, begun, done)[0] == Use(done.starts - begun.starts)


def test_a_counter_never_read_leaves_the_life_open() -> None:
    counters = Counters([(1, START, True, False, 0, 0.0, 1)])
    fit, out = Boundary(START, 0, 0.0, 1), Boundary(START, 90, 0.0, 2)
    assert counters.use(1, fit, out)[1] == Use(0.0, more=math.inf)
    assert Counters([]).use(1, fit, None) == (Use(0.0), Use(0.0))
