"""Forecasts of the book: fits, states, scores, corrections, lives that move between torches."""

from __future__ import annotations

import json
import math

import pytest
from sqlalchemy import select

from kit import Floor
from pitwise.bench.decide import PIT_PART
from pitwise.records.tables import DecisionRow, InspectionRow, Torch
from pitwise.records.wear_tables import Forecast
from pitwise.records.wear_tables import WearFit as WearFitRow
from pitwise.services import drafts, fittings, forecasts, signing, wear_book
from pitwise.services.ahead import Choice, ahead, queue, starts_left
from pitwise.services.draft_view import load_draft
from pitwise.services.errors import NotAllowedError, NotFoundError, ServiceError
from pitwise.services.imports import import_file
from pitwise.services.people import SYSTEM
from pitwise.trade import base_sheet
from pitwise.wear.fit import fit_wear
from pitwise.wear.forecast import (
    chances,
    components,
)
from pitwise.wear.history import History, Step
from pitwise.wear.prior import GrowthPrior
from pitwise.wear.state import (
    new_electrode,
    observe,
    use,
)
from pitwise.wear.store import fit_from_plain, fit_to_plain

PLATES = b"name,starts,arc_minutes\nbracket,40,30\nflange,25,20\n"


def run_year(floor: Floor, torch: int | None = None, pits: tuple[str, ...] = ()) -> None:
    """Four inspections of a new electrode, 80 starts and 60 minutes apart."""
    for k, pit in enumerate(pits or ("0.12 mm", "0.25 mm", "0.37 mm", "0.50 mm")):
        floor.inspect(pit, torch=torch, starts=str(80 * k), minutes=str(60 * k))
        forecasts.keep_up(floor.shop)


def open_forecasts(floor: Floor) -> list[Forecast]:
    with floor.shop.database.read() as session:
        return list(session.scalars(select(Forecast).order_by(Forecast.id)))


def test_every_inspection_leaves_a_forecast_and_the_next_reading_scores_it(floor: Floor) -> None:
    run_year(floor)
    rows = open_forecasts(floor)
    assert len(rows) == 4
    assert [r.scored_at is not None for r in rows] == [True, True, True, False]
    for row in rows[:3]:
        assert row.pit is not None
        assert 0 <= row.pit <= 1
        assert row.p05_mm is not None
        assert row.median_mm is not None
        assert row.p95_mm is not None
        assert row.p05_mm < row.median_mm < row.p95_mm
        assert row.crps_mm is not None
        assert 0 < row.crps_mm < 1
        assert row.made_at < (row.scored_at or row.made_at)
    with floor.shop.database.read() as session:
        seen = forecasts.coverage(session)
    assert seen.scored == 3
    assert sum(seen.bins) == 3
    assert 0 <= seen.low <= seen.inside / 3 <= seen.high <= 1


def test_keeping_up_twice_changes_nothing(floor: Floor) -> None:
    run_year(floor)
    before = [(r.id, r.pit, r.void) for r in open_forecasts(floor)]
    for _ in range(3):
        forecasts.keep_up(floor.shop)
    assert [(r.id, r.pit, r.void) for r in open_forecasts(floor)] == before


def test_a_forecast_is_scored_by_what_was_known_when_it_was_made(lite: Floor) -> None:
    run_year(lite)
    row = open_forecasts(lite)[2]
    parts = forecasts.parts_of(row.body)
    again = forecasts.score_reading(parts, 80, 60.0, row.reading_mm or 0.0, row.reading_u_mm)
    assert again.pit == pytest.approx(row.pit, abs=1e-12)
    lite.inspect("0.61 mm", starts="320", minutes="240")
    forecasts.keep_up(lite.shop)
    wear_book.refit(lite.shop, lite.lead)
    assert open_forecasts(lite)[2].pit == row.pit


def test_a_correction_takes_forecast_and_score_back(floor: Floor) -> None:
    run_year(floor)
    with floor.shop.database.read() as session:
        last = session.scalars(
            select(DecisionRow.inspection_id).order_by(DecisionRow.inspection_id.desc())
        ).first()
    assert last is not None
    was = open_forecasts(floor)[2].pit
    number = signing.correct(
        floor.shop, floor.tech, last, reason="read the gauge wrong", key=floor.key()
    )
    put_reading(floor, number, "0.46 mm")
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    forecasts.keep_up(floor.shop)
    rows = open_forecasts(floor)
    assert rows[3].void
    assert rows[2].scored_inspection_id == number
    assert rows[2].pit is not None
    assert was is not None
    assert rows[2].pit < was
    assert [r.inspection_id for r in rows if not r.void and r.scored_at is None] == [number]


def put_reading(floor: Floor, number: int, text: str) -> None:
    """Put another reading in place of the ones a correction copied."""
    with floor.shop.database.read() as session:
        readings = [r.id for r in load_draft(floor.shop, session, number).readings]
    for reading in readings:
        drafts.remove_reading(floor.shop, floor.tech, number, reading)
    drafts.add_reading(floor.shop, floor.tech, number, text, key=floor.key())


def test_without_a_reading_the_sheet_speaks_and_nothing_is_asked(floor: Floor) -> None:
    with floor.shop.database.read() as session:
        torch = session.get_one(Torch, floor.torch)
        left = starts_left(floor.shop, session, torch)
        assert left is not None
        assert "sheet" in left.basis
        assert left.p05 < left.median < left.p95
        assert left.plates is None
        assert wear_book.latest_row(session) is None
    number = floor.draft()
    drafts.add_reading(floor.shop, floor.tech, number, "0.9 mm", key=floor.key())
    with floor.shop.database.read() as session:
        draft = load_draft(floor.shop, session, number)
    assert not [f for f in draft.decision.flags if "expected" in f.code]
    assert wear_book.refit(floor.shop, floor.lead) is None


def test_starts_left_fall_with_use_and_are_told_in_plates(floor: Floor) -> None:
    run_year(floor)
    import_file(floor.shop, floor.tech, "plates.csv", PLATES, way="upload")
    with floor.shop.database.read() as session:
        torch = session.get_one(Torch, floor.torch)
        now = starts_left(floor.shop, session, torch)
    assert now is not None
    assert now.plates is not None
    assert now.plates.program == "bracket"
    assert now.plates.median == pytest.approx(now.median / 40, abs=1.0)
    assert 100 < now.median < 700
    use = b"torch,at,starts,arc_minutes\nTorch A,2031-03-07T05:00:00+00:00,340,255\n"
    import_file(floor.shop, floor.lead, "use.csv", use, way="upload")
    with floor.shop.database.read() as session:
        torch = session.get_one(Torch, floor.torch)
        later = starts_left(floor.shop, session, torch)
    assert later is not None
    assert later.median == pytest.approx(now.median - 100, rel=0.25)
    assert later.median < now.median


def test_a_life_follows_the_electrode_to_another_torch(floor: Floor) -> None:
    run_year(floor)
    with floor.shop.database.read() as session:
        tag = fittings.fitted(session, floor.torch)[PIT_PART].item.tag
        torch = session.get_one(Torch, floor.torch)
        here = starts_left(floor.shop, session, torch)
    fittings.remove_part(floor.shop, floor.tech, floor.torch, PIT_PART)
    fittings.remove_part(floor.shop, floor.tech, floor.other, PIT_PART)
    fittings.fit_part(floor.shop, floor.tech, floor.other, item_tag=tag)
    with floor.shop.database.read() as session:
        assert starts_left(floor.shop, session, session.get_one(Torch, floor.torch)) is None
        there = starts_left(floor.shop, session, session.get_one(Torch, floor.other))
    assert here is not None
    assert there is not None
    assert there.median == pytest.approx(here.median, rel=1e-9)


def test_the_forecast_asks_about_a_pit_that_does_not_fit_it(floor: Floor) -> None:
    run_year(floor)
    for pit, code in (("0.95 mm", "deeper-than-expected"), ("0.50 mm", "")):
        number = floor.draft()
        drafts.set_use(floor.shop, floor.tech, number, starts="250", arc_minutes="187")
        drafts.add_reading(floor.shop, floor.tech, number, pit, key=floor.key())
        with floor.shop.database.read() as session:
            draft = load_draft(floor.shop, session, number)
        codes = {f.code for f in draft.decision.flags if "expected" in f.code}
        assert codes == ({code} if code else set())
        conformity = draft.decision.parts[PIT_PART].conformity
        assert conformity is not None
        assert conformity.expected is not None
        assert conformity.expected.mean_mm == pytest.approx(0.5, abs=0.05)
        assert conformity.agrees is (not code)
        drafts.discard_draft(floor.shop, floor.tech, number)


def test_the_record_keeps_the_forecast_it_was_decided_with(floor: Floor) -> None:
    run_year(floor)
    number = floor.inspect("0.63 mm", starts="320", minutes="240")
    with floor.shop.database.read() as session:
        record = json.loads(session.get_one(InspectionRow, number).record or "")
    electrode = next(p for p in record["parts"] if p["part"] == PIT_PART)
    said = electrode["reading"]["forecast"]
    assert said["low_mm"] < said["mean_mm"] < said["high_mm"]
    assert said["agrees"] is True


def test_an_outlook_from_the_book(floor: Floor) -> None:
    run_year(floor)
    out = import_file(floor.shop, floor.tech, "plates.csv", PLATES, way="upload")
    bracket, flange = out.program_ids
    view = ahead(floor.shop, floor.tech, floor.torch, [Choice(bracket, 12), Choice(flange, 3)])
    rows = view.outlook.plates
    assert len(rows) == 15
    chances = [r.p_finish for r in rows]
    assert chances == sorted(chances, reverse=True)
    assert view.outlook.changes
    assert view.bench[0][1] == view.outlook.sets_to_have
    assert "set_value" in view.assumed
    assert any("Change after plate" in w for w in view.words)
    both = queue(floor.shop, floor.tech, [floor.torch, floor.other], [Choice(bracket, 12)])
    dealt = sorted(k for _, plan in both.plans for k in plan.plates)
    assert dealt == list(range(1, 13))


def test_an_outlook_refuses_what_can_not_be(floor: Floor) -> None:
    out = import_file(floor.shop, floor.tech, "plates.csv", PLATES, way="upload")
    bracket = out.program_ids[0]
    with pytest.raises(NotFoundError):
        ahead(floor.shop, floor.tech, 999, [Choice(bracket, 1)])
    with pytest.raises(NotFoundError):
        ahead(floor.shop, floor.tech, floor.torch, [Choice(999, 1)])
    for times in (0, -3, 10**9):
        with pytest.raises(ServiceError, match="times"):
            ahead(floor.shop, floor.tech, floor.torch, [Choice(bracket, times)])
    with pytest.raises(ServiceError, match="no plate"):
        ahead(floor.shop, floor.tech, floor.torch, [])
    with pytest.raises(ServiceError, match="more than"):
        ahead(floor.shop, floor.tech, floor.torch, [Choice(bracket, 400), Choice(bracket, 400)])
    with pytest.raises(ServiceError, match="no torch"):
        queue(floor.shop, floor.tech, [], [Choice(bracket, 1)])
    fittings.remove_part(floor.shop, floor.tech, floor.torch, PIT_PART)
    with pytest.raises(ServiceError, match="no electrode"):
        ahead(floor.shop, floor.tech, floor.torch, [Choice(bracket, 1)])


def test_only_leads_fit_and_a_fit_is_kept_to_the_last_bit(floor: Floor) -> None:
    run_year(floor)
    with pytest.raises(NotAllowedError):
        wear_book.refit(floor.shop, floor.tech)
    number = wear_book.refit(floor.shop, floor.lead)
    with floor.shop.database.read() as session:
        row = session.get_one(WearFitRow, number)
        force = wear_book.fit_in_force(floor.shop, session)
        assert force.id == number
        known = wear_book.histories(session)
    again = fit_wear(list(known.of.values()), GrowthPrior.of(floor.shop.base))
    assert fit_to_plain(again) == fit_to_plain(force.fit)
    kept = json.loads(row.body)["fit"]
    assert json.loads(json.dumps(fit_to_plain(fit_from_plain(kept)))) == kept


def test_a_refit_waits_for_a_tenth_more_readings(lite: Floor) -> None:
    lite.inspect("0.12 mm", starts="0", minutes="0")
    assert forecasts.keep_up(lite.shop) is not None
    lite.inspect("0.25 mm", starts="80", minutes="60")
    assert forecasts.keep_up(lite.shop) is None
    lite.inspect("0.37 mm", starts="160", minutes="120")
    assert forecasts.keep_up(lite.shop) is None
    lite.inspect("0.50 mm", starts="240", minutes="180")
    assert forecasts.keep_up(lite.shop) is not None


def test_updating_a_state_equals_refiltering_it(lite: Floor) -> None:
    prior = GrowthPrior.of(lite.shop.base)
    steps = tuple(Step(80.0 * k, 60.0 * k, 0.12 * k, "p") for k in range(1, 5))
    fit = fit_wear([History("1", steps[:2])], prior)
    force = wear_book.FitInForce(1, fit, {"1": 2})
    online = wear_book.state_of(force, History("1", steps), "p")
    first = wear_book.state_of(force, History("1", steps[:3]), "p")
    last = observe(use(first, 320.0, 240.0), 0.48)
    assert last.mean == pytest.approx(online.mean, abs=1e-12)
    assert last.log_weight == pytest.approx(online.log_weight, abs=1e-9)


def test_an_electrode_whose_use_falls_is_left_out_by_name(floor: Floor) -> None:
    run_year(floor)
    with floor.shop.database.read() as session:
        item = fittings.fitted(session, floor.torch)[PIT_PART].part_item_id
        known = wear_book.histories(session)
        assert set(known.of) == {item}
        assert known.readings == 4
        assert not known.left_out
        assert known.of[item].ended == "running"


def test_a_replaced_electrode_stays_in_the_fit_as_replaced(floor: Floor) -> None:
    run_year(floor, pits=("0.2 mm", "0.9 mm", "1.6 mm"))
    with floor.shop.database.read() as session:
        known = wear_book.histories(session)
    ends = sorted(h.ended for h in known.of.values())
    assert "replaced" in ends
    assert "lost" not in ends


def test_wilson_against_its_formula_and_edges() -> None:
    # Wilson 1927 as recomputed by hand: 8 of 10 gives 0.4902 to 0.9433.
    low, high = forecasts.wilson(8, 10)
    assert low == pytest.approx(0.490162, abs=1e-5)
    assert high == pytest.approx(0.943317, abs=1e-5)
    assert forecasts.wilson(0, 0) == (0.0, 1.0)
    assert forecasts.wilson(0, 5)[0] == pytest.approx(0.0, abs=1e-12)
    assert forecasts.wilson(5, 5)[1] == pytest.approx(1.0, abs=1e-12)


def test_the_forecast_body_survives_its_text() -> None:
    fit = fit_wear([], GrowthPrior.of(base_sheet()))
    parts = components(new_electrode(fit, "p"), 128)
    back = forecasts.parts_of(forecasts.body_of(parts))
    one = float(chances(parts, 200, 150, 1.0).finish)
    two = float(chances(back, 200, 150, 1.0).finish)
    assert math.isclose(one, two, abs_tol=1e-6)


def test_the_system_may_keep_up_without_anybody_signed_in(lite: Floor) -> None:
    lite.inspect("0.2 mm", starts="0", minutes="0")
    assert wear_book.refit_if_due(lite.shop, SYSTEM) is not None
