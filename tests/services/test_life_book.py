"""Lives of the book: what a part's record of use and its end come to."""

from __future__ import annotations

import datetime as dt
import math

import pytest
from sqlalchemy import event

from kit import Floor
from life_kit import lose
from pitwise.records.tables import Torch
from pitwise.services import cures, drafts, fittings, setup, signing
from pitwise.services.fittings import fit_part, remove_part
from pitwise.services.life_book import (
    GROUPS,
    Cure,
    PartLife,
    grouped,
    interval_of,
    lives_for,
    part_lives,
    shift_of,
)
from pitwise.services.life_model import MOST_AFTER, MOST_BEFORE

WORN, GOOD = "1.60 mm", "0.40 mm"


def lives(floor: Floor, part: str = "electrode") -> list[PartLife]:
    with floor.shop.database.read() as session:
        return part_lives(session, part=part)


def test_worn_lies_between_the_last_good_look_and_the_one_that_replaced(floor: Floor) -> None:
    floor.inspect(GOOD, starts="1000", minutes="500")
    floor.inspect(GOOD, starts="1150", minutes="560")
    ended = floor.inspect(WORN, starts="1400", minutes="700")
    old, new = [x for x in lives(floor) if x.torch_id == floor.torch]
    assert (old.end, old.own_reason, old.inspection_id) == ("worn", True, ended)
    assert old.reasons == ("pit-over-limit",)
    assert (old.starts, old.arc_minutes) == (400, 200.0)
    assert (old.good_starts, old.good_minutes) == (150, 60.0)
    assert interval_of(old, "worn", "starts") == (150.0, 400.0)
    assert interval_of(old, "worn", "arc-minutes") == (60.0, 200.0)
    assert interval_of(old, "lost", "starts") == (400.0, math.inf)
    assert (new.end, new.ended_at, new.starts) == ("running", None, 0)
    # Nothing is known of a part without use.
    assert interval_of(new, "worn", "starts") is None


def test_the_other_part_of_the_pair_was_changed_before_its_own_time(floor: Floor) -> None:
    floor.inspect(GOOD, starts="0", minutes="0")
    floor.inspect(WORN, starts="300", minutes="100")
    nozzle = next(x for x in lives(floor, "nozzle") if x.ended_at)
    assert (nozzle.end, nozzle.own_reason) == ("changed", False)
    assert nozzle.reasons == ("taken-along-by-electrode",)
    assert interval_of(nozzle, "worn", "starts") == (300.0, math.inf)
    assert interval_of(nozzle, "lost", "starts") == (300.0, math.inf)


def test_lost_in_the_cut_ends_at_the_counters(floor: Floor) -> None:
    floor.inspect(GOOD, starts="0", minutes="0")
    floor.inspect(GOOD, starts="100", minutes="40")
    lose(floor, 250, minutes=90)
    old = next(x for x in lives(floor) if x.ended_at)
    assert (old.end, old.own_reason, old.reasons) == (
        "lost",
        True,
        ("lost-in-the-cut", "emitter-blown"),
    )
    assert interval_of(old, "lost", "starts") == (250.0, 250.0)
    assert interval_of(old, "worn", "starts") == (250.0, math.inf)
    known = lives_for(lives(floor), "lost", "starts")
    assert (list(known.lower), list(known.upper)) == ([250.0], [250.0])


def test_an_overruled_replacement_is_no_end_of_its_own(lite: Floor) -> None:
    lite.inspect(GOOD, starts="0", minutes="0")
    number = lite.draft()
    lite.look_all(number)
    drafts.add_reading(lite.shop, lite.tech, number, GOOD, key=lite.key())
    drafts.set_use(lite.shop, lite.tech, number, starts="90", arc_minutes="30", reset=False)
    drafts.set_overrule(lite.shop, lite.lead, number, "shield", "replace", "Bent by a tip-up")
    signing.sign(lite.shop, lite.tech, number, key=lite.key())
    shield = next(x for x in lives(lite, "shield") if x.ended_at)
    assert (shield.end, shield.own_reason, shield.reasons) == ("changed", False, ("overruled",))


def test_kept_against_the_rules_it_was_past_use_at_that_look(lite: Floor) -> None:
    lite.inspect(GOOD, starts="0", minutes="0")
    lite.inspect(GOOD, starts="100", minutes="30")
    number = lite.draft()
    lite.look_all(number)
    drafts.add_reading(lite.shop, lite.tech, number, WORN, key=lite.key())
    drafts.set_use(lite.shop, lite.tech, number, starts="200", arc_minutes="60", reset=False)
    drafts.set_overrule(lite.shop, lite.lead, number, "electrode", "keep", "One plate more")
    signing.sign(lite.shop, lite.tech, number, key=lite.key())
    lite.clock.forward(days=1)
    lite.inspect(WORN, starts="260", minutes="80")
    old = next(x for x in lives(lite) if x.ended_at)
    assert (old.good_starts, old.starts, old.end) == (100, 260, "worn")


def test_a_part_taken_out_and_fitted_elsewhere_goes_on(floor: Floor) -> None:
    floor.inspect(GOOD, starts="0", minutes="0")
    floor.inspect(GOOD, torch=floor.other, starts="5000", minutes="900")
    tag = next(x.tag for x in lives(floor) if x.torch_id == floor.torch)
    floor.inspect(GOOD, starts="120", minutes="50")
    floor.clock.now -= dt.timedelta(days=1)
    remove_part(floor.shop, floor.tech, floor.torch, "electrode")
    (lying,) = [x for x in lives(floor) if x.tag == tag]
    assert (lying.end, lying.taken_out, lying.own_reason) == ("changed", True, False)
    floor.clock.forward(days=1)
    floor.inspect(GOOD, torch=floor.other, starts="5100", minutes="950")
    floor.clock.now -= dt.timedelta(days=1)
    remove_part(floor.shop, floor.tech, floor.other, "electrode")
    fit_part(floor.shop, floor.tech, floor.other, item_tag=tag)
    floor.clock.forward(days=1)
    floor.inspect(GOOD, torch=floor.other, starts="5200", minutes="990")
    (moved,) = [x for x in lives(floor) if x.tag == tag]
    assert (moved.end, moved.torch, moved.starts, moved.arc_minutes) == (
        "running",
        "Torch B",
        220,
        90.0,
    )
    # Fitted at the same stop as the counters were read: its use is exact.
    assert (moved.fewer_starts, moved.more_starts) == (0.0, 0.0)
    assert moved.good_starts == 220


def test_what_a_corrected_inspection_fitted_never_lived(floor: Floor) -> None:
    floor.inspect(GOOD, starts="0", minutes="0")
    wrong = floor.inspect(WORN, starts="300", minutes="100")
    assert [x.end for x in lives(floor) if x.torch_id == floor.torch] == ["worn", "running"]
    fixed = signing.correct(
        floor.shop, floor.lead, wrong, reason="gauge was not set to zero", key=floor.key()
    )
    draft = drafts.read_draft(floor.shop, floor.lead, fixed)
    drafts.remove_reading(floor.shop, floor.lead, fixed, draft.readings[0].id)
    drafts.add_reading(floor.shop, floor.lead, fixed, GOOD, key=floor.key())
    signing.sign(floor.shop, floor.lead, fixed, key=floor.key())
    (only,) = [x for x in lives(floor) if x.torch_id == floor.torch]
    # Only the correction's look counts: the superseded one said it was worn.
    assert (only.end, only.starts, only.good_starts) == ("running", 300, 300)


def test_an_end_without_counters_lies_before_the_next_reading(floor: Floor) -> None:
    floor.inspect(GOOD, starts="0", minutes="0")
    floor.inspect(GOOD, starts="100", minutes="30")
    lose(floor, 180, minutes=55)
    number = floor.draft()
    drafts.set_mark(floor.shop, floor.tech, number, "electrode", "emitter-blown", "seen")
    drafts.set_lost(floor.shop, floor.tech, number, "electrode", lost=True)
    floor.look_all(number)
    drafts.add_reading(floor.shop, floor.tech, number, GOOD, key=floor.key())
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    floor.clock.forward(days=1)
    second = [x for x in lives(floor) if x.end == "lost"][1]
    assert (second.starts, second.more_starts) == (0, math.inf)
    floor.inspect(GOOD, starts="240", minutes="80")
    second, third = [x for x in lives(floor) if x.torch_id == floor.torch][1:]
    assert (second.starts, second.more_starts) == (0, 60.0)
    # The use of those 60 starts may be either's.
    assert (third.starts, third.fewer_starts) == (60, 60.0)
    assert interval_of(third, "lost", "starts") is None


def test_fitted_by_hand_between_readings_a_part_may_have_run_less(floor: Floor) -> None:
    floor.inspect(GOOD, starts="0", minutes="0")
    floor.inspect(GOOD, starts="100", minutes="30")
    with floor.shop.database.read() as session:
        kind = fittings.fitted(session, floor.torch)["electrode"].item.part_type_id
    fit_part(floor.shop, floor.tech, floor.torch, part_type_id=kind, lot="lot 4")
    floor.clock.forward(days=3)
    floor.inspect(GOOD, starts="160", minutes="50")
    floor.inspect(WORN, starts="400", minutes="150")
    hand = next(x for x in lives(floor) if x.lot == "lot 4")
    assert (hand.starts, hand.fewer_starts, hand.more_starts) == (300, 60.0, 0.0)
    assert interval_of(hand, "worn", "starts") == (0.0, 300.0)
    out = next(x for x in lives(floor) if x.taken_out)
    assert (out.starts, out.more_starts) == (100, 60.0)


def test_parts_that_were_in_before_the_counters_were_read_say_so(lite: Floor) -> None:
    lite.clock.forward(days=1)
    lite.inspect(GOOD, starts="52000", minutes="20000")
    lite.inspect(WORN, starts="52300", minutes="20100")
    old, new = [x for x in lives(lite) if x.torch_id == lite.torch]
    assert (old.first_set, old.starts) == (True, 300)
    assert not new.first_set


def test_a_life_belongs_to_the_process_it_ended_on(lite: Floor) -> None:
    lite.inspect(GOOD, starts="0", minutes="0")
    lite.inspect(GOOD, starts="100", minutes="30")
    other = setup.add_process(
        lite.shop,
        lite.lead,
        name="130 A stainless",
        amps=130,
        material="stainless steel",
        plasma_gas="nitrogen",
        shield_gas="nitrogen",
    )
    with lite.shop.database.read() as session:
        gauge = session.get_one(Torch, lite.torch).gauge_id
    setup.change_torch(
        lite.shop, lite.lead, lite.torch, process_id=other, gauge_id=gauge, due_starts=400
    )
    running = next(x for x in lives(lite) if x.torch_id == lite.torch)
    assert (running.process, running.processes) == ("130 A stainless", 2)
    lite.inspect(WORN, starts="260", minutes="80")
    ended = next(x for x in lives(lite) if x.ended_at)
    assert (ended.process, ended.processes) == ("130 A stainless", 2)


def test_groups_hold_every_life_once(lite: Floor) -> None:
    lite.inspect(GOOD, starts="0", minutes="0")
    lite.inspect(WORN, starts="300", minutes="100")
    own = lives(lite)
    for by in GROUPS[:-1]:
        sorted_ = grouped(own, by)
        assert sorted(x.item_id for g in sorted_.values() for x in g) == sorted(
            x.item_id for x in own
        )
    assert list(grouped(own, "torch")) == ["Torch A", "Torch B"]
    assert list(grouped(own, "lot")) == ["not recorded"]
    with pytest.raises(ValueError, match="none of"):
        grouped(own, "colour")  # type: ignore[arg-type]  # what is refused
    with pytest.raises(ValueError, match="name the cure"):
        grouped(own, "cure")


def test_a_part_in_the_torch_at_the_cure_is_on_neither_side(lite: Floor) -> None:
    assert (MOST_BEFORE, MOST_AFTER) == (cures._MOST_BEFORE, cures._MOST_AFTER)
    lite.inspect(GOOD, starts="0", minutes="0")
    for k in range(1, 5):
        lite.inspect(WORN, starts=str(300 * k), minutes=str(100 * k))
    own = [x for x in lives(lite) if x.torch_id == lite.torch]
    at = own[1].ended_at
    assert at is not None
    cure = Cure(1, lite.torch, "Torch A", own[0].process_id, own[0].process, "", at, None)
    sides = grouped(own, "cure", cure=cure)
    assert [x.tag for x in sides["before"]] == [own[0].tag, own[1].tag]
    assert [x.tag for x in sides["after"]] == [x.tag for x in own[2:]]
    later = dt.timedelta(hours=1)
    between = Cure(1, lite.torch, "", own[0].process_id, "", "", at + later, own[3].ended_at)
    sides = grouped(own, "cure", cure=between)
    assert own[2].tag not in {x.tag for side in sides.values() for x in side}
    elsewhere = Cure(1, lite.other, "", own[0].process_id, "", "", at, None)
    assert grouped(own, "cure", cure=elsewhere) == {"before": [], "after": []}


def test_shifts_are_told_by_the_shops_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    at = dt.datetime(2031, 7, 1, 4, 30, tzinfo=dt.UTC)
    monkeypatch.setenv("PITWISE_TIMEZONE", "UTC")
    assert shift_of(at) == "night"
    monkeypatch.setenv("PITWISE_TIMEZONE", "Europe/Lisbon")
    assert [shift_of(at + dt.timedelta(hours=h)) for h in (0, 1, 9, 17)] == [
        "night",
        "early",
        "late",
        "night",
    ]


def test_the_number_of_queries_does_not_grow_with_the_book(lite: Floor) -> None:
    asked: list[str] = []

    @event.listens_for(lite.shop.database.engine, "before_cursor_execute")
    def note(_c: object, _u: object, statement: str, *_: object) -> None:
        asked.append(statement)

    counts = []
    lite.inspect(GOOD, starts="0", minutes="0")
    for k in range(1, 4):
        lite.inspect(WORN, starts=str(300 * k), minutes=str(100 * k))
        asked.clear()
        with lite.shop.database.read() as session:
            part_lives(session)
        counts.append(sum(s.lstrip().upper().startswith("SELECT") for s in asked))
    assert counts[1] <= counts[0] == counts[2] <= 9
