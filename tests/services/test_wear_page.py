"""The page of the wear fit: rates, what is left out, and how forecasts did."""

from __future__ import annotations

import pytest

from kit import Floor
from pitwise.records.wear_tables import WearFit
from pitwise.services.errors import NotAllowedError, ServiceError
from pitwise.services.forecasts import keep_up
from pitwise.services.wear_page import ENOUGH_SCORED, fit_again, rate_at, wear_page
from pitwise.trade import base_sheet
from pitwise.wear.fit import fit_wear
from pitwise.wear.history import History, Step
from pitwise.wear.prior import GrowthPrior


def sign_some(floor: Floor, count: int = 4, *, scored: bool = True) -> None:
    for k in range(count):
        floor.inspect(f"{0.02 + 0.2 * k:.2f} mm", starts=str(10 + 200 * k), minutes=str(4 + 80 * k))
        if scored:
            keep_up(floor.shop)


def test_before_the_first_reading_the_sheet_speaks(floor: Floor) -> None:
    page = wear_page(floor.shop, floor.tech)
    assert page.fit is None
    assert page.rates == ()
    assert page.unread.low < page.unread.median < page.unread.high
    assert "sheet's guess" in page.told_apart
    assert not page.enough_scored
    assert page.coverage.scored == 0
    with pytest.raises(ServiceError, match="no signed pit reading"):
        fit_again(floor.shop, floor.lead)


def test_only_leads_fit_and_all_may_look(floor: Floor) -> None:
    with pytest.raises(NotAllowedError):
        fit_again(floor.shop, floor.tech)


def test_a_fit_tells_when_by_whom_and_how_many_came_since(floor: Floor) -> None:
    sign_some(floor, 2, scored=False)
    fit_again(floor.shop, floor.lead)
    page = wear_page(floor.shop, floor.tech)
    assert page.fit is not None
    assert page.fit.by == "Lin Ödegård"
    assert page.fit.readings == 2
    assert page.since == 0
    assert page.rates[0].before is None
    floor.inspect("0.50 mm", starts="450", minutes="180")
    assert wear_page(floor.shop, floor.tech).since == 1
    fit_again(floor.shop, floor.lead)
    page = wear_page(floor.shop, floor.tech)
    assert [f.readings for f in page.history] == [3, 2]
    (line,) = page.rates
    assert line.process == "300 A mild steel"
    assert line.readings == 3
    assert line.before is not None
    assert line.rate.low < line.rate.median < line.rate.high
    assert {s.name for s in page.shared} >= {"kappa", "tau", "sigma", "omega"}


def test_scored_forecasts_are_points_and_few_of_them_tell_nothing(floor: Floor) -> None:
    sign_some(floor, 4)
    page = wear_page(floor.shop, floor.tech)
    assert page.coverage.scored == len(page.points) >= 2
    assert page.coverage.scored < ENOUGH_SCORED
    assert not page.enough_scored
    assert sum(p.inside for p in page.points) == page.coverage.inside
    ats = [p.at for p in page.points]
    assert ats == sorted(ats)


def test_a_wild_reading_is_named_with_its_part(floor: Floor) -> None:
    for torch in (floor.torch, floor.other):
        for k in range(6):
            floor.inspect(
                f"{0.05 + 0.05 * k:.2f} mm",
                torch=torch,
                starts=str(60 * (k + 1)),
                minutes=str(24 * (k + 1)),
            )
    fit_again(floor.shop, floor.lead)
    page = wear_page(floor.shop, floor.tech)
    for line in (*page.set_aside, *page.left_out):
        assert line.tag
        assert line.text


def test_a_fit_of_another_format_is_shown_as_one_that_cant_be_read(floor: Floor) -> None:
    sign_some(floor, 2, scored=False)
    fit_again(floor.shop, floor.lead)
    fit_again(floor.shop, floor.lead)
    with floor.shop.database.write() as session:
        row = session.get_one(WearFit, 1)
        row.body = row.body.replace('"format":1', '"format":0')
    page = wear_page(floor.shop, floor.tech)
    assert page.history[1].rates == ()
    assert page.rates[0].before is None


def test_a_rate_is_told_at_the_mix_it_was_read_at() -> None:
    prior = GrowthPrior.of(base_sheet(), "pit-depth")
    # Every job has the same minutes per start: kappa is not told, the rate at that mix is.
    histories = [
        History(str(k), tuple(Step(100.0 * n, 40.0 * n, 0.1 * n, "p", 0.02) for n in range(1, 6)))
        for k in range(12)
    ]
    fit = fit_wear(histories, prior)
    at = rate_at(fit, fit.draws.rate_mean[:, 0], fit.draws.rate_sd[:, 0], 0.4)
    bare = rate_at(fit, fit.draws.rate_mean[:, 0], fit.draws.rate_sd[:, 0], 0.0)
    assert at.median == pytest.approx(0.5, rel=0.1)
    assert at.low < at.median < at.high < 1.2 * at.low
    assert bare.median < at.median


def test_a_reading_set_aside_is_not_one_that_came_since(lite: Floor) -> None:
    # No pit is 0.6 mm deep before the first start.
    lite.inspect("0.60 mm", starts="10", minutes="4")
    lite.inspect("0.20 mm", torch=lite.other, starts="10", minutes="4")
    lite.inspect("0.40 mm", torch=lite.other, starts="210", minutes="84")
    lite.inspect("0.60 mm", torch=lite.other, starts="410", minutes="164")
    fit_again(lite.shop, lite.lead)
    page = wear_page(lite.shop, lite.tech)
    assert page.fit is not None
    assert page.since == 0
