"""The made-up shop's troubles: they fit the trade sheet, and are told through the services."""

from __future__ import annotations

import datetime as dt
import itertools
from random import Random

from kit import Floor
from pitwise.demo.story import TROUBLES, Story, set_ranges
from pitwise.services import cases, ranges
from pitwise.trade import base_sheet


def test_every_trouble_fits_the_trade_sheet() -> None:
    sheet = base_sheet()
    for trouble in TROUBLES:
        remedies = [r.id for r in sheet.remedies_of(trouble.cause)]
        assert trouble.remedy in remedies
        assert trouble.begins < trouble.opened < trouble.ends
        assert trouble.certainty in ("verified", "went-away")
        for part, finding, chance in trouble.looks:
            assert sheet.finding(part, finding) is not None, finding
            assert 0 < chance <= 1
        for check, results in trouble.checks:
            assert set(results) <= set(sheet.check(check).reveals)
        for reading, value, unit in trouble.readings:
            sheet.reading(reading).canonical(float(value), unit)
    torches = {t.torch for t in TROUBLES}
    for torch in torches:
        own = sorted((t.begins, t.ends) for t in TROUBLES if t.torch == torch)
        assert all(a[1] < b[0] for a, b in itertools.pairwise(own))


def test_a_year_of_troubles_leaves_closed_cases_and_one_open(lite: Floor) -> None:
    set_ranges(lite.shop, lite.lead, 1)
    story = Story(Random(1))
    torches = {"North 1": lite.torch, "South 1": lite.other}
    story.troubles = tuple(t for t in TROUBLES if t.torch in torches)

    def wait(minutes: float) -> None:
        lite.clock.now += dt.timedelta(minutes=minutes)

    for day in range(0, 101, 2):
        for name, torch in torches.items():
            lite.clock.forward(hours=12)
            share = day / 100
            story.seen(name, share)
            story.after_inspection(
                lite.shop, lite.tech, name, torch, share, wait, f"story-{name[0]}{day:04d}"
            )
    assert story.faster("North 1", 1.0) > 1
    assert story.faster("South 1", 1.0) == 1
    lines = cases.list_cases(lite.shop, lite.tech)
    assert [x.state for x in lines] == ["open", *["closed"] * 4]
    held = {x.id: x.did_not_hold for x in lines if x.state == "closed"}
    assert sum(bool(why) for why in held.values()) == 1
    certain = {c.certainty for x in lines for c in x.causes}
    assert certain == {"verified", "went-away"}
    view = ranges.ranges_view(lite.shop, lite.tech, 1)
    assert sum(bool(x.given_unit) for x in view.lines) == 4
