"""What lives tell: held against a simulated shop, a reference library, and by hand."""

from __future__ import annotations

import math
import re
from random import Random

import pytest
from statsmodels.stats.proportion import proportion_confint

from life_kit import a_life
from pitwise.services.life_book import PartLife, interval_of, lives_for
from pitwise.services.life_page import LifePage, share_of
from pitwise.services.life_said import compared_words, group_words, shape_words, share_words
from pitwise.services.life_told import compared, ended_ways, ratio_of, told_group, way_corners
from pitwise.services.life_words import range_words, use_words
from pitwise.wear.life.tell import Compared, LifeTold, TooFewToTell
from pitwise.wear.refusal import FitRefusedError

INF = math.inf


@pytest.mark.parametrize(
    ("life", "end", "wanted"),
    [
        (a_life("worn", 300, 200), "worn", (200, 300)),
        (a_life("worn", 300, 0), "worn", (0, 300)),
        (a_life("worn", 300, 300), "worn", (300, 300)),
        (a_life("worn", 300, 200), "lost", (300, INF)),
        (a_life("lost", 300, 200), "lost", (300, 300)),
        (a_life("lost", 300, 200), "worn", (300, INF)),
        (a_life("changed", 300, 200), "worn", (300, INF)),
        (a_life("running", 300, 200), "lost", (300, INF)),
        (a_life("running", 0, 0), "lost", None),
        (a_life("lost", 300, 200, fewer_starts=50, more_starts=40), "lost", (250, 340)),
        (a_life("worn", 300, 200, fewer_starts=50, more_starts=40), "worn", (150, 340)),
        (a_life("worn", 300, 200, more_starts=INF), "worn", (200, INF)),
        (a_life("worn", 300, 0, more_starts=INF), "worn", None),
        (a_life("running", 300, 0, fewer_starts=300), "worn", None),
        (a_life("running", 300, 0, fewer_starts=120), "worn", (180, INF)),
    ],
)
def test_between_which_uses_a_part_came_to_its_end(
    life: PartLife, end: str, wanted: tuple[float, float] | None
) -> None:
    assert interval_of(life, end, "starts") == wanted  # type: ignore[arg-type]  # the two ends
    minutes = interval_of(life, end, "arc-minutes")  # type: ignore[arg-type]  # the two ends
    if not (life.fewer_starts or life.more_starts) and wanted:
        assert minutes == pytest.approx(tuple(0.4 * x for x in wanted))


def test_no_use_at_all_is_refused() -> None:
    with pytest.raises(FitRefusedError):
        lives_for([a_life("running", 0, 0)], "worn", "starts")


def _weibull(random: Random, shape: float, scale: float) -> float:
    return scale * math.pow(-math.log(1 - random.random()), 1 / shape)


def _simulated(random: Random) -> PartLife:
    """One part of a made-up shop: looked at every 60 to 140 starts, until something ends it."""
    worn, lost = _weibull(random, 2.6, 520), _weibull(random, 1.6, 700)
    along, stop = _weibull(random, 1.5, 900), random.uniform(200, 1500)
    look = good = 0.0
    while True:
        look += random.uniform(60, 140)
        first = min(look, lost, stop)
        if first == lost:
            return a_life("lost", round(lost), round(good))
        if first == stop:
            return a_life("running", round(stop), round(good))
        if worn <= look:
            return a_life("worn", round(look), round(good))
        if along <= look:
            return a_life("changed", round(look), round(good))
        good = look


def test_a_simulated_shops_true_lives_lie_in_the_ranges_as_often_as_said() -> None:
    """Ends that compete and are seen at looks only bias neither end; 95 % ranges hold."""
    random = Random(20311)
    truth = {
        "worn": (520 * math.log(2) ** (1 / 2.6), 520 * (-math.log(0.9)) ** (1 / 2.6)),
        "lost": (700 * math.log(2) ** (1 / 1.6), 700 * (-math.log(0.9)) ** (1 / 1.6)),
    }
    runs, held, seen = 80, 0, 0
    middles: dict[str, list[float]] = {"worn": [], "lost": []}
    for _ in range(runs):
        parts = [_simulated(random) for _ in range(70)]
        for end, (half, tenth) in truth.items():
            group = told_group("all", parts, end, "starts")  # type: ignore[arg-type]  # the two ends
            assert isinstance(group.told, LifeTold)
            assert group.half is not None
            assert group.tenth is not None
            middles[end].append(math.log(group.half[0] / half))
            for true, (_, spread) in ((half, group.half), (tenth, group.tenth)):
                seen += 1
                held += spread.low <= true <= spread.high
    se = math.sqrt(0.95 * 0.05 / seen)
    # The four figures of a run hang together: twice the standard error of independent ones.
    assert abs(held / seen - 0.95) < 3 * 2 * se
    for end, logs in middles.items():
        mean = math.fsum(logs) / runs
        error = math.sqrt(math.fsum((x - mean) ** 2 for x in logs) / (runs - 1) / runs)
        assert abs(mean) < 0.03 + 3 * error, end


def test_steps_slant_where_the_end_lies_between_two_looks() -> None:
    parts = [a_life("worn", 300, 200), a_life("worn", 500, 450), a_life("running", 600, 600)]
    between = told_group("x", parts, "worn", "starts")
    wanted = [(0, 1), (200, 1), (300, 2 / 3), (450, 2 / 3), (500, 1 / 3), (600, 1 / 3)]
    assert [at for at, _ in between.steps] == [at for at, _ in wanted]
    assert [x for _, x in between.steps] == pytest.approx([x for _, x in wanted])
    exact = told_group("x", [a_life("lost", 300), a_life("running", 500)], "lost", "starts")
    assert exact.steps == ((0.0, 1.0), (300.0, 1.0), (300.0, 0.5), (500.0, 0.5))


def test_the_curve_begins_whole_falls_and_keeps_in_its_range() -> None:
    parts = [a_life("worn", n, n - 90) for n in range(200, 700, 25)]
    group = told_group("x", parts, "worn", "starts")
    curve = group.curve(group.longest)
    assert curve[0] == (0.0, 1.0, 1.0, 1.0)
    assert curve[-1][0] == pytest.approx(group.longest)
    shares = [share for _, share, _, _ in curve]
    assert shares == sorted(shares, reverse=True)
    assert all(low <= share <= high for _, share, low, high in curve)
    assert group.half_seen
    assert group_words(group).startswith("half by ")
    assert shape_words(group).startswith("They wear")


def test_too_few_say_why_and_draw_no_curve() -> None:
    group = told_group("x", [a_life("worn"), a_life("running", 800)], "worn", "starts")
    assert isinstance(group.told, TooFewToTell)
    assert group.told.reason
    assert (group.half, group.tenth, group.curve(800)) == (None, None, ())
    assert group_words(group) == "too few to tell: 1 of 2"
    assert shape_words(group) == ""
    nothing = told_group("x", [a_life("running", 0, 0)], "worn", "starts")
    assert isinstance(nothing.told, TooFewToTell)
    assert nothing.steps == ()
    assert "use on record" in nothing.told.reason


def test_two_lots_that_differ_are_told_apart_and_two_alike_are_not() -> None:
    random = Random(7)

    def lot(scale: float) -> list[PartLife]:
        return [a_life("lost", round(_weibull(random, 2.5, scale)) + 1) for _ in range(30)]

    good, bad, like = (
        told_group(n, lot(s), "lost", "starts")
        for n, s in (("good", 500), ("bad", 250), ("like", 500))
    )
    differ, alike = compared([good, bad]), compared([good, like])
    assert not isinstance(differ, TooFewToTell)
    assert not isinstance(alike, TooFewToTell)
    assert differ is not None
    assert alike is not None
    assert differ.logrank is not None
    assert alike.logrank is not None
    assert differ.logrank.p < 0.001
    assert alike.logrank.p > 0.05
    assert compared([good]) is None
    few = told_group("few", [a_life("running", 80)], "lost", "starts")
    assert compared([few, told_group("none", [], "lost", "starts")]) is None


def page_of(parts: dict[str, list[PartLife]], by: str = "lot") -> LifePage:
    """Make a page of groups, without a book."""
    groups = tuple(told_group(name, lives, "worn", "starts") for name, lives in parts.items())
    every = [p for lives in parts.values() for p in lives]
    return LifePage(
        part="nozzle",
        part_name="Nozzle",
        end="worn",
        measure="starts",
        by=by,  # type: ignore[arg-type]  # one of the groups
        one="",
        first_sets=True,
        rows=(),
        processes=(),
        process_id=1,
        process="300 A mild steel",
        cures=(),
        cure=None,
        groups=groups,
        all_groups=tuple((name, tuple(lives)) for name, lives in parts.items()),
        compared=compared(groups),
        ratio=ratio_of(groups, after_first=by == "cure"),
        ways={},
        reasons=(),
        counts=ended_ways(every),
        lost=None,
        untold=0,
        first=0,
        open=0,
        mixed=0,
        newest=(),
    )


def test_a_ratio_is_said_with_what_is_known_of_it() -> None:
    usual = [a_life("worn", n, n - 90) for n in range(300, 900, 25)]
    short = [a_life("worn", n // 3, max(0, n // 3 - 60)) for n in range(300, 900, 50)]
    said = compared_words(page_of({"lot 7": short, "all others": usual}))
    assert re.match(r"Parts of lot 7 last 0\.\d+ times as long as all others \(0\.\d+ to 0\.", said)
    cured = compared_words(page_of({"before": short, "after": usual}, "cure"))
    assert re.match(r"Parts after the cure last \d\.?\d* times as long as those before it", cured)
    gone = [a_life("worn", n, 0) for n in (100, 120, 90, 110, 105)]
    assert "last at most 0." in compared_words(page_of({"lot 8": gone, "all others": usual}))
    none = [a_life("running", 1500, 1500) for _ in range(5)]
    assert re.search(
        r"last \d\.\d+ times as long as all others, or longer",
        compared_words(page_of({"lot 9": none, "all others": usual})),
    )
    alike = compared_words(page_of({"lot 1": usual[::2], "lot 2": usual[1::2]}))
    assert alike.startswith("No difference is shown. Parts of lot 1 last ")
    assert "those of lot 2" in alike
    three = page_of({"lot 1": usual, "lot 7": short, "lot 8": gone})
    assert three.ratio is None
    assert compared_words(three).startswith("They last differently: ")


def test_no_shortest_is_named_while_a_lot_that_was_always_past_use_may_be_it() -> None:
    usual = [a_life("worn", n, n - 90) for n in range(300, 900, 25)]
    short = [a_life("worn", n // 2, max(0, n // 2 - 60)) for n in range(300, 900, 50)]
    gone = [a_life("worn", n, 0) for n in (100, 120, 90, 110, 105)]
    never = [a_life("running", 3000, 3000) for _ in range(6)]
    new = [a_life("running", 5, 5)]
    said = compared_words(page_of({"lot 1": usual, "lot 7": short, "lot 8": gone, "new": new}))
    assert said.startswith("They last differently: ")
    assert "Longest: lot 1. " in said
    assert "hortest: " not in said
    assert "All 5 of lot 8 were past use at the first look, at 90 to 120 starts: may be" in said
    assert said.endswith("Too few ended for a curve of their own: new.")
    said = compared_words(page_of({"lot 1": usual, "lot 7": short, "lot 9": never}))
    assert "Shortest: lot 7. None of 6 of lot 9 has ended yet: may be the longest." in said
    assert "ongest: " not in said


def test_a_lot_always_past_use_counts_in_the_test() -> None:
    """Its outcome must not take it out of the comparison: it is what differs here."""
    random = Random(5)

    def usual() -> list[PartLife]:
        ends = [round(_weibull(random, 2.5, 600)) + 100 for _ in range(12)]
        return [a_life("worn", n, n - 90) for n in ends]

    gone = [a_life("worn", n, 0) for n in (100, 120, 90, 110, 105, 95, 100, 110)]
    found = page_of({"a": usual(), "b": usual(), "c": gone}).compared
    assert isinstance(found, Compared)
    assert found.likelihood_ratio is not None
    assert found.likelihood_ratio.way == "permuted"
    assert found.likelihood_ratio.luck < 0.01
    assert "c" in found.compared
    assert [x.may_be for x in found.why] == ["shortest"]


def test_ways_to_end_add_up_to_all_that_ended() -> None:
    parts = [
        a_life("worn", 100),
        a_life("lost", 200),
        a_life("changed", 300),
        a_life("worn", 400),
    ]
    ways = way_corners(parts, "starts")
    assert {way: corners[-1][1] for way, corners in ways.items()} == pytest.approx(
        {"worn": 0.5, "lost": 0.25, "changed": 0.25}
    )
    assert {corners[-1][0] for corners in ways.values()} == {400.0}
    assert all(corners[0] == (0.0, 0.0) for corners in ways.values())
    assert way_corners([a_life("running", 50)], "starts") == {}
    counts = ended_ways([*parts, a_life("running", 50)])
    assert (counts.worn, counts.lost, counts.changed, counts.running) == (2, 1, 1, 1)
    assert counts.ended == 4


@pytest.mark.parametrize(("some", "every"), [(0, 7), (1, 9), (5, 17), (40, 41), (6, 6)])
def test_shares_have_the_range_of_the_reference(some: int, every: int) -> None:
    """statsmodels' Clopper and Pearson interval."""
    share = share_of(some, every)
    assert share is not None
    low, high = proportion_confint(some, every, alpha=0.05, method="beta")
    assert share.low == pytest.approx(low, abs=1e-12)
    assert share.high == pytest.approx(high)


def test_shares_and_uses_in_words() -> None:
    assert share_of(0, 0) is None
    assert share_words(None) == "none has ended"
    assert share_words(share_of(6, 105)) == "6 % (2 to 12 %)"
    assert [use_words(x) for x in (0, 0.26, 8.04, 12.4, 347.6, 1047, 23456)] == [
        "0",
        "0.3",
        "8.0",
        "12",
        "348",
        "1\u202f050",
        "23\u202f500",
    ]
    assert range_words(12, INF) == "12 or more"
    assert range_words(0, 1047) == "0 to 1\u202f050"
