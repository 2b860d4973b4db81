"""A correction tells a look at the torch anew: what happened, happened when it did."""

from __future__ import annotations

import datetime as dt
import os
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from kit import Floor, open_floor
from money_kit import price
from pitwise.records.shelf_tables import Movement
from pitwise.records.tables import Counter, Fitting
from pitwise.reports.record_view import view as record_words
from pitwise.services import (
    book,
    drafts,
    fittings,
    people,
    setup,
    shelf_ledger,
    shelf_terms,
    signing,
)
from pitwise.services.errors import ConflictError
from pitwise.services.life_book import PartLife, part_lives
from pitwise.services.money import money_view
from pitwise.services.month import month_sheet
from pitwise.services.use_between import UseTable, use_between
from pitwise.services.views import record
from shelf_kit import WORN, shelf_on

SIGNED = dt.datetime(2031, 3, 31, 20, 0, tzinfo=dt.UTC)
CORRECTED = dt.datetime(2031, 4, 3, 8, 0, tzinfo=dt.UTC)
_MONTHS = (
    ("2031-03-01", "2031-03-31"),
    ("2031-04-01", "2031-04-30"),
    ("2031-05-01", "2031-05-31"),
)
_templates = Path(tempfile.mkdtemp(prefix="pitwise-corrected-"))


def sign(floor: Floor, number: int) -> int:
    """Sign, with every question answered."""
    draft = drafts.read_draft(floor.shop, floor.tech, number)
    for flag in draft.decision.open_questions():
        drafts.answer_question(floor.shop, floor.tech, number, flag.code)
    for slip in draft.use_slips:
        drafts.answer_question(floor.shop, floor.tech, number, slip.code)
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    return number


def correct(floor: Floor, of: int) -> int:
    """Correct an inspection with nothing altered."""
    number = signing.correct(floor.shop, floor.tech, of, reason="a typing slip", key=floor.key())
    return sign(floor, number)


def rows_of(floor: Floor, inspection: int) -> tuple[list[Fitting], list[Fitting], list[Counter]]:
    """Return what an inspection fitted, took out and counted."""
    with floor.shop.database.read() as session:
        return (
            list(
                session.scalars(select(Fitting).where(Fitting.fitted_by_inspection == inspection))
            ),
            list(
                session.scalars(select(Fitting).where(Fitting.removed_by_inspection == inspection))
            ),
            list(session.scalars(select(Counter).where(Counter.inspection_id == inspection))),
        )


def lives_of(floor: Floor) -> list[PartLife]:
    """Return all lives, without the numbers that a correction gives its parts and itself."""
    with floor.shop.database.read() as session:
        lives = part_lives(session)
    return [replace(x, item_id=0, tag="", inspection_id=None) for x in lives]


def past(floor: Floor) -> object:
    """Return all that lives, money and use say of every month."""
    money = []
    for first, last in _MONTHS:
        for by in ("process", "cause"):
            told = money_view(floor.shop, floor.lead, first=first, last=last, by=by)
            parts = [replace(p, item_id=0, tag="", inspection_id=None) for p in told.parts]
            money.append((told.total, told.lines, parts, told.losses.ended, told.read_until))
    use: list[UseTable] = []
    with floor.shop.database.read() as session:
        for first, last in _MONTHS:
            since, until = (dt.datetime.fromisoformat(f"{d}T00:00+00:00") for d in (first, last))
            use.append(use_between(session, since, until))
    return money, lives_of(floor), use


def dearer(floor: Floor, item: int, amount: str) -> None:
    """Set a new price of an item."""
    with floor.shop.database.read() as session:
        known = shelf_terms.terms_in_force(session)[item]
    shelf_terms.set_terms(
        floor.shop,
        floor.lead,
        item,
        supplier_id=known.supplier_id,
        price=amount,
        currency="EUR",
        lead_days="7",
    )


def test_a_correction_in_april_leaves_march_as_it_was(floor: Floor) -> None:
    electrode = price(floor, "electrode", "20")
    price(floor, "nozzle", "30")
    floor.inspect("0.40 mm", starts="100", minutes="50")
    floor.clock.now = SIGNED
    first = floor.inspect("1.60 mm", starts="300", minutes="150")
    floor.clock.now = CORRECTED
    dearer(floor, electrode, "25")
    before = past(floor)
    sheet = month_sheet(floor.shop, floor.lead, "2031-03").sections
    march = money_view(floor.shop, floor.lead, first="2031-03-01", last="2031-03-31").total
    # Two sets of eight, and the two that the inspection put in; 3 electrodes, 3 nozzles.
    assert (march.parts, [p.cost for p in march.per], march.use.starts) == (18, [150.0], 200.0)
    second = correct(floor, first)
    assert past(floor) == before
    assert month_sheet(floor.shop, floor.lead, "2031-03").sections == sheet
    floor.clock.forward(days=1)
    third = correct(floor, second)
    assert past(floor) == before
    for number in (first, second, third):
        put_in, _, counters = rows_of(floor, number)
        assert {f.fitted_at for f in put_in} == {c.at for c in counters} == {SIGNED}
        assert {f.void for f in put_in} == {c.void for c in counters} == {number != third}
    assert {f.removed_at for f in rows_of(floor, third)[1]} == {SIGNED}
    assert not book.verify_book(floor.shop, people.SYSTEM).faults


def test_signature_ledger_and_record_hold_the_moment_of_the_correction(floor: Floor) -> None:
    shelf = shelf_on(floor)
    shelf.goods_in(shelf.electrode, 5)
    floor.clock.now = SIGNED
    first = floor.inspect("1.60 mm", starts="300", minutes="150")
    floor.clock.now = CORRECTED
    second = correct(floor, first)
    told = record(floor.shop, floor.tech, second)
    assert told.signed_at == CORRECTED
    assert told.record["signed"]["at"] == CORRECTED.isoformat()
    assert told.record["happened_at"] == SIGNED.isoformat()
    words = record_words(told.record, "0" * 64, superseded_by=None, timezone="UTC")["corrects"]
    assert words == (
        f"Corrects record {first}: a typing slip (of the look at the torch on 2031-03-31 20:00 UTC)"
    )
    # One of an older version does not hold it, and claims nothing.
    older = {k: v for k, v in told.record.items() if k != "happened_at"}
    words = record_words(older, "0" * 64, superseded_by=None, timezone="UTC")["corrects"]
    assert words == f"Corrects record {first}: a typing slip"
    with floor.shop.database.read() as session:
        moves = session.execute(
            select(Movement.kind, Movement.at)
            .where(Movement.item_id == shelf.electrode, Movement.pieces != 5)
            .order_by(Movement.id)
        ).all()
    assert [tuple(m) for m in moves] == [
        ("fitted", SIGNED),
        ("undone", CORRECTED),
        ("fitted", CORRECTED),
    ]


def test_what_only_the_correction_changes_happened_at_the_look_too(lite: Floor) -> None:
    lite.inspect("0.40 mm", starts="100", minutes="50")
    lite.clock.now = SIGNED
    first = lite.inspect("0.45 mm", starts="300", minutes="150")
    lite.clock.now = CORRECTED
    number = signing.correct(lite.shop, lite.tech, first, reason="overlooked", key=lite.key())
    drafts.set_mark(lite.shop, lite.tech, number, *WORN[0], "seen")
    drafts.set_use(lite.shop, lite.tech, number, starts="310", arc_minutes="155")
    sign(lite, number)
    put_in, came_out, counters = rows_of(lite, number)
    assert "nozzle" in {f.part for f in put_in}
    assert {f.fitted_at for f in put_in} == {f.removed_at for f in came_out} == {SIGNED}
    assert [(c.at, c.total_starts) for c in counters] == [(SIGNED, 210)]
    # Corrected once more, and nothing is worn after all: all old parts are in as before.
    lite.clock.forward(days=1)
    again = signing.correct(lite.shop, lite.tech, number, reason="not worn", key=lite.key())
    drafts.set_mark(lite.shop, lite.tech, again, *WORN[0], "none")
    sign(lite, again)
    assert rows_of(lite, again)[:2] == ([], [])
    assert all(x.end == "running" for x in lives_of(lite))
    assert not book.verify_book(lite.shop, people.SYSTEM).faults


def test_verify_tells_of_a_moment_that_is_not_the_record_s(lite: Floor) -> None:
    first = lite.inspect("1.60 mm", starts="300", minutes="150")
    with lite.shop.database.write() as session:
        for row in session.scalars(
            select(Fitting).where(
                Fitting.fitted_by_inspection == first, Fitting.part == "electrode"
            )
        ):
            row.fitted_at += dt.timedelta(days=3)
    (fault,) = book.verify_book(lite.shop, people.SYSTEM).faults
    assert fault.table == "fitting"
    assert "'fitted_at'" in fault.problem


def test_the_clock_of_a_correction_is_that_of_the_look(lite: Floor) -> None:
    lite.inspect("0.40 mm", starts="100", minutes="50")
    # One day later: 1500 arc minutes are more than the clock had.
    number = lite.draft()
    lite.look_all(number)
    drafts.add_reading(lite.shop, lite.tech, number, "0.45 mm", key=lite.key())
    drafts.set_use(lite.shop, lite.tech, number, starts="300", arc_minutes="1550")
    sign(lite, number)
    lite.clock.forward(days=20)
    again = signing.correct(lite.shop, lite.tech, number, reason="a slip", key=lite.key())
    slips = drafts.read_draft(lite.shop, lite.tech, again).use_slips
    assert [s.code for s in slips] == ["more-than-the-clock"]


def test_a_part_that_went_elsewhere_since_is_a_later_change(lite: Floor) -> None:
    first = lite.inspect("1.60 mm", starts="300", minutes="150")
    (old,) = [f for f in rows_of(lite, first)[1] if f.part == "electrode"]
    with lite.shop.database.read() as session:
        tag = session.get_one(Fitting, old.id).item.tag
    fittings.fit_part(lite.shop, lite.tech, lite.other, item_tag=tag)
    with pytest.raises(ConflictError, match="refitted since"):
        signing.correct(lite.shop, lite.tech, first, reason="wrong", key=lite.key())


def test_the_same_piece_keeps_its_lot(lite: Floor) -> None:
    shelf = shelf_on(lite)
    # The book knew of no piece: the one that went in is of no lot.
    first = lite.inspect("1.60 mm", starts="300", minutes="150")
    shelf.goods_in(shelf.electrode, 5, lot="L9")
    before = lives_of(lite)
    second = correct(lite, first)
    assert lives_of(lite) == before
    assert shelf.lots(shelf.electrode) == [("L9", 4)]
    lite.clock.forward(days=1)
    third = lite.inspect("1.60 mm", starts="600", minutes="300")
    before = lives_of(lite)
    correct(lite, third)
    assert lives_of(lite) == before
    assert {x.lot for x in before if x.part == "electrode"} == {None, "L9"}
    assert second < third
    assert not book.verify_book(lite.shop, people.SYSTEM).faults


def test_a_kind_added_since_does_not_change_what_a_correction_fits(lite: Floor) -> None:
    fittings.remove_part(lite.shop, lite.tech, lite.torch, "nozzle")
    lite.clock.forward(days=1)
    first = lite.inspect("0.40 mm", seen=WORN)
    before = lives_of(lite)
    setup.add_part_type(lite.shop, lite.lead, part="nozzle", name="another nozzle")
    correct(lite, first)
    assert lives_of(lite) == before


_STEP = st.one_of(
    st.tuples(st.just("inspect"), st.booleans(), st.booleans(), st.integers(0, 300)),
    st.tuples(st.just("again"), st.booleans(), st.booleans(), st.integers(0, 300)),
    st.tuples(st.sampled_from(("correct", "correct", "dearer", "goods", "hand", "wait"))),
)
_CHAINS = st.lists(_STEP, min_size=4, max_size=8)


def _walk(floor: Floor, steps: list[tuple[object, ...]]) -> None:
    electrode = price(floor, "electrode", "20")
    last = floor.inspect("0.40 mm", starts="100", minutes="50")
    shown, amount, left = 100, 20, True
    for step in steps:
        floor.clock.forward(days=2, hours=5)
        if step[0] in ("inspect", "again"):
            if step[0] == "again" and not left:
                continue
            shown += int(str(step[3])) if step[0] == "inspect" else 0
            if step[0] == "inspect":
                number = floor.draft()
                floor.look_all(number)
                pit = "1.60 mm" if step[1] else "0.45 mm"
                drafts.add_reading(floor.shop, floor.tech, number, pit, key=floor.key())
            else:
                number = signing.correct(
                    floor.shop, floor.tech, last, reason="otherwise", key=floor.key()
                )
            drafts.set_mark(floor.shop, floor.tech, number, *WORN[0], "seen" if step[2] else "none")
            drafts.set_use(
                floor.shop, floor.tech, number, starts=str(shown), arc_minutes=str(shown / 2)
            )
            last, left = sign(floor, number), True
        elif step[0] == "correct" and left:
            before = past(floor)
            last = correct(floor, last)
            assert past(floor) == before
        elif step[0] == "dearer":
            amount += 5
            dearer(floor, electrode, str(amount))
        elif step[0] == "goods":
            shelf_ledger.goods_in(
                floor.shop,
                floor.tech,
                item_id=electrode,
                pieces="1",
                key=floor.key(),
                lot=f"L{amount}",
            )
        elif step[0] == "hand":
            with floor.shop.database.read() as session:
                kind = fittings.fitted(session, floor.torch)["electrode"].item.part_type_id
            fittings.fit_part(floor.shop, floor.tech, floor.torch, part_type_id=kind)
            left = False
    assert not book.verify_book(floor.shop, people.SYSTEM).faults


@settings(max_examples=5)
@given(steps=_CHAINS)
def test_a_correction_of_nothing_changes_nothing_on_sqlite(steps: list[tuple[object, ...]]) -> None:
    with (
        tempfile.TemporaryDirectory() as folder,
        open_floor("sqlite", Path(folder), _templates) as floor,
    ):
        _walk(floor, steps)


@pytest.mark.skipif("PITWISE_TEST_POSTGRES" not in os.environ, reason="no PostgreSQL to test on")
@settings(max_examples=2)
@given(steps=_CHAINS)
def test_a_correction_of_nothing_changes_nothing_on_postgres(
    steps: list[tuple[object, ...]],
) -> None:
    with (
        tempfile.TemporaryDirectory() as folder,
        open_floor("postgres", Path(folder), _templates) as floor,
    ):
        _walk(floor, steps)
