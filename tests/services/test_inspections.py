"""The main job through the services: touches, questions, overrules, signing, corrections."""

from __future__ import annotations

import json

import pytest
from sqlalchemy import func, select

from kit import Floor
from pitwise.records.tables import AuditRow, Counter, Fitting, InspectionRow
from pitwise.services import drafts, fittings, limits, signing, views
from pitwise.services.draft_view import Draft
from pitwise.services.errors import (
    ConflictError,
    NotAllowedError,
    NotFoundError,
    ServiceError,
    UnfinishedError,
)
from pitwise.services.permissions import Actor
from pitwise.trade.model import PART_SLUGS


def tags(floor: Floor, torch: int | None = None) -> dict[str, str | None]:
    view = views.torch(floor.shop, floor.tech, torch or floor.torch)
    return {p.part: p.tag for p in view.parts}


def test_a_clean_inspection_is_released_and_recorded(floor: Floor) -> None:
    number = floor.inspect("0.41 mm", starts="1000", minutes="300.5")
    view = views.record(floor.shop, floor.tech, number)
    record = view.record
    assert record["set"] == "release"
    assert [p["part"] for p in record["parts"]] == list(PART_SLUGS)
    electrode = record["parts"][5]
    assert electrode["readings"][0]["text"] == "0.41 mm"
    assert electrode["limit"]["value"] == 1.5
    assert electrode["p_over_limit"] < 1e-6
    assert record["signed"]["by"] == "Tom Reed"
    assert record["sheet"]["sha256"] == floor.shop.base.sha256
    assert record["counters"]["starts"] == 1000


def test_nothing_unlooked_ungauged_or_unanswered_is_signed(floor: Floor) -> None:
    number = floor.draft(cautions=False)

    def refused(word: str) -> None:
        with pytest.raises(UnfinishedError, match=word):
            signing.sign(floor.shop, floor.tech, number, key=floor.key())

    refused("cautions have not been confirmed")
    drafts.confirm_cautions(floor.shop, floor.tech, number)
    refused("Shield cap: not looked over")
    floor.look_all(number, skip=("torch-head",))
    refused("Torch head: not looked over")
    drafts.set_look(floor.shop, floor.tech, number, "torch-head", looked=True)
    refused("pit has not been gauged")
    drafts.add_reading(floor.shop, floor.tech, number, "1.45 thou", key=floor.key())
    refused("To answer: 1.45 thou")
    drafts.answer_question(floor.shop, floor.tech, number, "unit-slip")
    drafts.add_reading(floor.shop, floor.tech, number, "57 mm", key=floor.key())
    refused("To answer")
    assert views.records(floor.shop, floor.tech)[1] == 0


def test_recheck_blocks_and_repeats_settle(floor: Floor) -> None:
    number = floor.draft()
    floor.look_all(number)
    draft = drafts.add_reading(floor.shop, floor.tech, number, "1.47", key=floor.key())
    assert draft.decision.parts["electrode"].action == "recheck"
    with pytest.raises(UnfinishedError, match="gauge again"):
        signing.sign(floor.shop, floor.tech, number, key=floor.key())
    draft = drafts.add_reading(floor.shop, floor.tech, number, "1.45", key=floor.key())
    assert draft.decision.parts["electrode"].action == "keep"
    signing.sign(floor.shop, floor.tech, number, key=floor.key())


def test_replacing_moves_the_parts_and_the_old_keep_their_lives(floor: Floor) -> None:
    floor.inspect("0.40", starts="1000", minutes="300")
    before = tags(floor)
    number = floor.inspect("1.52 mm", starts="1400", minutes="420")
    after = tags(floor)
    changed = {p for p in before if before[p] != after[p]}
    assert changed == {"electrode", "nozzle"}
    record = views.record(floor.shop, floor.tech, number).record
    electrode = record["parts"][5]
    assert electrode["item"]["life_starts"] == 400
    assert electrode["new_item"]["tag"] == after["electrode"]
    view = views.torch(floor.shop, floor.tech, floor.torch)
    assert view.last_pit is None
    assert next(p for p in view.parts if p.part == "swirl-ring").life == fittings.Life(400, 120.0)
    assert next(p for p in view.parts if p.part == "electrode").life == fittings.Life(0, 0.0)


def test_a_part_keeps_its_life_between_torches(floor: Floor) -> None:
    floor.inspect(starts="100", minutes="10")
    floor.inspect("0.5", starts="300", minutes="70", torch=floor.torch)
    tag = tags(floor)["swirl-ring"]
    assert tag is not None
    with pytest.raises(ConflictError, match="take it out there first"):
        fittings.fit_part(floor.shop, floor.tech, floor.other, item_tag=tag)
    fittings.remove_part(floor.shop, floor.tech, floor.torch, "swirl-ring")
    floor.clock.forward(minutes=5)
    floor.inspect(starts="5000", minutes="900", torch=floor.other)
    fittings.fit_part(floor.shop, floor.tech, floor.other, item_tag=tag)
    floor.inspect("0.5", starts="5050", minutes="910", torch=floor.other)
    history = views.part_history(
        floor.shop, floor.tech, views.find_parts(floor.shop, floor.tech, tag)[0].id
    )
    assert history.life == fittings.Life(250, 70.0)
    assert [name for _, name in history.fittings] == ["Torch A", "Torch B"]


def test_counter_reset_and_backwards(floor: Floor) -> None:
    floor.inspect(starts="1000", minutes="300")
    number = floor.draft()
    floor.look_all(number)
    drafts.add_reading(floor.shop, floor.tech, number, "0.5", key=floor.key())
    drafts.set_use(floor.shop, floor.tech, number, starts="40", arc_minutes="12")
    with pytest.raises(UnfinishedError, match="fewer than the 1000"):
        signing.sign(floor.shop, floor.tech, number, key=floor.key())
    drafts.set_use(floor.shop, floor.tech, number, starts="40", arc_minutes="12", reset=True)
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    view = views.torch(floor.shop, floor.tech, floor.torch)
    assert (view.total_starts, view.total_minutes) == (40, 12.0)


def test_counters_that_the_signature_has_overtaken_are_no_refusal(floor: Floor) -> None:
    number = floor.inspect(starts="40", minutes="12.5")
    before = views.record(floor.shop, floor.tech, number).record

    def late(starts: str = " 40", minutes: str = "12.5", note: str = " ") -> Draft:
        return drafts.set_use(
            floor.shop, floor.tech, number, starts=starts, arc_minutes=minutes, note=note
        )

    assert late().row.state == "signed"
    for other in ({"starts": "41"}, {"note": "more"}, {"minutes": ""}):
        with pytest.raises(ConflictError, match="signed already"):
            late(**other)
    assert views.record(floor.shop, floor.tech, number).record == before


def test_more_than_the_clock_is_asked_and_may_be_so(floor: Floor) -> None:
    floor.inspect(starts="1000", minutes="300")
    number = floor.draft()
    floor.look_all(number)
    drafts.add_reading(floor.shop, floor.tech, number, "0.5", key=floor.key())
    draft = drafts.set_use(floor.shop, floor.tech, number, starts="99999")
    assert [s.code for s in draft.use_slips] == ["more-than-the-clock"]
    with pytest.raises(UnfinishedError, match="is a digit wrong"):
        signing.sign(floor.shop, floor.tech, number, key=floor.key())
    drafts.answer_question(floor.shop, floor.tech, number, "more-than-the-clock")
    drafts.set_use(floor.shop, floor.tech, number, starts="99998")
    with pytest.raises(UnfinishedError):
        signing.sign(floor.shop, floor.tech, number, key=floor.key())
    drafts.answer_question(floor.shop, floor.tech, number, "more-than-the-clock")
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    record = views.record(floor.shop, floor.tech, number).record
    assert record["questions"][-1]["answered_by"] == "Tom Reed"


def test_shallower_than_before_looks_at_the_same_electrode_only(floor: Floor) -> None:
    floor.inspect("1.10")
    number = floor.draft()
    draft = drafts.add_reading(floor.shop, floor.tech, number, "0.60", key=floor.key())
    assert [f.code for f in draft.decision.open_questions()] == ["shallower-than-before"]
    drafts.discard_draft(floor.shop, floor.tech, number)
    floor.inspect("1.60")
    number = floor.draft()
    draft = drafts.add_reading(floor.shop, floor.tech, number, "0.05", key=floor.key())
    assert draft.decision.open_questions() == ()


def test_overrules_need_a_reason_and_limits_a_lead(floor: Floor) -> None:
    number = floor.draft()
    floor.look_all(number)
    drafts.add_reading(floor.shop, floor.tech, number, "1.60", key=floor.key())

    def over(actor: Actor, action: str, reason: str = "looked at twice") -> Draft:
        return drafts.set_overrule(
            floor.shop,
            actor,
            number,
            "electrode",
            action,
            reason,
        )

    with pytest.raises(NotAllowedError, match="by a lead only"):
        over(floor.tech, "keep")
    with pytest.raises(ServiceError, match="reason"):
        over(floor.lead, "keep", "  ")
    with pytest.raises(ConflictError, match="already"):
        over(floor.lead, "replace")
    with pytest.raises(ServiceError, match="not an action"):
        over(floor.lead, "polish")
    draft = over(floor.lead, "keep", "Last plate of the job, watched throughout")
    assert draft.decision.parts["electrode"].action == "keep"
    assert draft.decision.parts["nozzle"].action == "keep"
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    part = views.record(floor.shop, floor.tech, number).record["parts"][5]
    assert (part["computed"], part["action"]) == ("replace", "keep")
    assert part["overrule"]["by"] == "Lin Ödegård"
    with floor.shop.database.read() as session:
        row = session.scalars(select(AuditRow).where(AuditRow.action == "overruled")).one()
    assert json.loads(row.detail)["reason"].startswith("Last plate")


def test_an_overrule_lapses_with_a_new_reason_and_can_be_taken_back(floor: Floor) -> None:
    number = floor.draft()
    floor.look_all(number)
    drafts.set_mark(floor.shop, floor.tech, number, "nozzle", "arc-marks", "seen")
    drafts.set_overrule(floor.shop, floor.tech, number, "nozzle", "keep", "old, harmless mark")
    draft = drafts.set_mark(floor.shop, floor.tech, number, "nozzle", "crack", "seen")
    assert draft.decision.parts["nozzle"].action == "replace"
    draft = drafts.set_mark(floor.shop, floor.tech, number, "nozzle", "crack", "none")
    assert draft.decision.parts["nozzle"].action == "keep"
    draft = drafts.remove_overrule(floor.shop, floor.tech, number, "nozzle")
    assert draft.decision.parts["nozzle"].action == "replace"


def test_unlooked_parts_are_never_called_fine(floor: Floor) -> None:
    number = floor.draft()
    with pytest.raises(ServiceError, match="not looked at"):
        drafts.set_overrule(floor.shop, floor.lead, number, "shield", "keep", "it was fine before")
    draft = drafts.set_overrule(
        floor.shop, floor.tech, number, "shield", "replace", "new one on hand"
    )
    assert not draft.wants("shield")


def test_a_correction_undoes_and_supersedes(floor: Floor) -> None:
    floor.inspect("0.40", starts="100", minutes="10")
    before = tags(floor)
    wrong = floor.inspect("1.55", starts="300", minutes="50")
    assert tags(floor)["electrode"] != before["electrode"]
    key = floor.key()
    number = signing.correct(floor.shop, floor.tech, wrong, reason="typed 1.55 for 0.55", key=key)
    assert (
        signing.correct(floor.shop, floor.tech, wrong, reason="typed 1.55 for 0.55", key=key)
        == number
    )
    draft = drafts.read_draft(floor.shop, floor.tech, number)
    assert draft.decision.parts["electrode"].action == "replace"
    assert draft.last_pit is not None
    assert draft.last_pit.words() == "0.40 mm"
    drafts.remove_reading(floor.shop, floor.tech, number, draft.readings[0].id)
    drafts.add_reading(floor.shop, floor.tech, number, "0.55", key=floor.key())
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    assert tags(floor) == before
    old = views.record(floor.shop, floor.tech, wrong)
    assert old.superseded_by == number
    assert not old.can_correct
    assert old.record["parts"][5]["action"] == "replace"
    new = views.record(floor.shop, floor.tech, number)
    assert new.record["supersedes"] == wrong
    assert new.record["correction_reason"] == "typed 1.55 for 0.55"
    view = views.torch(floor.shop, floor.tech, floor.torch)
    assert (view.total_starts, view.total_minutes) == (200, 40.0)
    with floor.shop.database.read() as session:
        assert (
            session.scalar(select(func.count()).select_from(Counter).where(Counter.void.is_(False)))
            == 2
        )
        assert (
            session.scalar(
                select(func.count())
                .select_from(Fitting)
                .where(
                    Fitting.torch_id == floor.torch,
                    Fitting.removed_at.is_(None),
                    Fitting.void.is_(False),
                )
            )
            == 8
        )


def test_only_the_last_inspection_of_a_torch_as_it_left_it_can_be_corrected(floor: Floor) -> None:
    first = floor.inspect("0.40")
    second = floor.inspect("0.45")
    with pytest.raises(ConflictError, match="inspected or refitted since"):
        signing.correct(floor.shop, floor.tech, first, reason="wrong", key=floor.key())
    number = signing.correct(floor.shop, floor.tech, second, reason="wrong", key=floor.key())
    fittings.remove_part(floor.shop, floor.tech, floor.torch, "swirl-ring")
    with pytest.raises(ConflictError, match="refitted since"):
        signing.sign(floor.shop, floor.tech, number, key=floor.key())
    drafts.discard_draft(floor.shop, floor.tech, number)
    with pytest.raises(NotFoundError):
        signing.correct(floor.shop, floor.tech, 999, reason="wrong", key=floor.key())


def test_the_same_submission_five_times_is_one_record(floor: Floor) -> None:
    key = floor.key()
    opened = {drafts.open_draft(floor.shop, floor.tech, floor.torch, key=key) for _ in range(5)}
    number = opened.pop()
    assert not opened
    drafts.confirm_cautions(floor.shop, floor.tech, number)
    floor.look_all(number)
    reading = floor.key()
    for _ in range(5):
        draft = drafts.add_reading(floor.shop, floor.tech, number, "0.5", key=reading)
    assert len(draft.readings) == 1
    sign_key = floor.key()
    results = [signing.sign(floor.shop, floor.tech, number, key=sign_key) for _ in range(5)]
    assert len({r.record_sha256 for r in results}) == 1
    assert [r.again for r in results] == [False, True, True, True, True]
    with pytest.raises(ConflictError, match="signed already"):
        signing.sign(floor.shop, floor.tech, number, key=floor.key())
    with floor.shop.database.read() as session:
        assert session.scalar(select(func.count()).select_from(InspectionRow)) == 1
        assert (
            session.scalar(
                select(func.count())
                .select_from(AuditRow)
                .where(AuditRow.action == "inspection-signed")
            )
            == 1
        )


@pytest.mark.parametrize("key", ["", "short", "x" * 65, "with space", "semi;colon", None])
def test_a_submission_without_a_proper_key_is_refused(floor: Floor, key: str) -> None:
    with pytest.raises(ServiceError, match="no key"):
        drafts.open_draft(floor.shop, floor.tech, floor.torch, key=key)


def test_two_tablets_on_one_draft_lose_nothing(floor: Floor) -> None:
    number = floor.draft()
    assert drafts.open_draft(floor.shop, floor.lead, floor.torch, key=floor.key()) == number
    drafts.set_mark(floor.shop, floor.tech, number, "shield", "spatter-attached", "seen")
    drafts.set_mark(floor.shop, floor.lead, number, "nozzle", "scale", "seen")
    floor.look_all(number)
    shown = drafts.add_reading(floor.shop, floor.tech, number, "0.5", key=floor.key())
    drafts.set_mark(floor.shop, floor.lead, number, "nozzle", "arc-marks", "seen")
    with pytest.raises(ConflictError, match="touched on another tablet"):
        signing.sign(floor.shop, floor.tech, number, key=floor.key(), revision=shown.row.revision)
    now = drafts.read_draft(floor.shop, floor.tech, number)
    assert now.decision.parts["nozzle"].action == "replace"
    signing.sign(floor.shop, floor.tech, number, key=floor.key(), revision=now.row.revision)
    seen = views.record(floor.shop, floor.tech, number).record["parts"][3]["seen"]
    assert {(s["id"], s["by"]) for s in seen} == {
        ("scale", "Lin Ödegård"),
        ("arc-marks", "Lin Ödegård"),
    }


def test_a_signed_or_discarded_inspection_takes_no_touch(floor: Floor) -> None:
    number = floor.inspect()
    for touch in (
        lambda: drafts.set_mark(floor.shop, floor.tech, number, "shield", "crack", "seen"),
        lambda: drafts.set_look(floor.shop, floor.tech, number, "shield", looked=True),
        lambda: drafts.add_reading(floor.shop, floor.tech, number, "1", key=floor.key()),
        lambda: drafts.discard_draft(floor.shop, floor.tech, number),
        lambda: drafts.set_use(floor.shop, floor.tech, number, starts="1"),
    ):
        with pytest.raises(ConflictError, match="signed already"):
            touch()


@pytest.mark.parametrize(
    ("part", "finding", "state", "word"),
    [
        ("nozzel", "crack", "seen", "not a part"),
        ("nozzle", "pit", "seen", "no finding"),
        ("nozzle", "crack", "maybe", "not known"),
        ("nozzle", "coolant-darkening", "seen", "no finding"),
    ],
)
def test_bad_touches_are_refused(
    floor: Floor, part: str, finding: str, state: str, word: str
) -> None:
    number = floor.draft()
    with pytest.raises(ServiceError, match=word):
        drafts.set_mark(floor.shop, floor.tech, number, part, finding, state)


@pytest.mark.parametrize(
    ("fields", "place"),
    [
        ({"starts": "-1"}, "starts"),
        ({"starts": "1.5"}, "starts"),
        ({"starts": "9" * 13}, "starts"),
        ({"arc_minutes": "x"}, "arc minutes"),
        ({"arc_minutes": "1.2.3"}, "arc minutes"),
        ({"arc_minutes": "."}, "arc minutes"),
        ({"arc_minutes": "1e9"}, "arc minutes"),
        ({"note": "n" * 1001}, "note"),
        ({"note": "a\x00b"}, "note"),
    ],
)
def test_bad_counters_are_refused_naming_the_field(
    floor: Floor, fields: dict[str, str], place: str
) -> None:
    number = floor.draft()
    with pytest.raises(ServiceError) as caught:
        drafts.set_use(floor.shop, floor.tech, number, **fields)  # type: ignore[arg-type]
    assert caught.value.place == place


def test_a_shops_own_limit_decides_and_its_sheet_is_kept(floor: Floor) -> None:
    old = floor.inspect("0.5")
    process = views.torch(floor.shop, floor.tech, floor.torch).torch.process_id

    def enter(**changes: object) -> int:
        good = {
            "depth": "1.2 mm",
            "compare": ">=",
            "process_id": process,
            "source": "manual p. 12",
            "reason": "edges went rough",
        }
        return limits.add_limit(floor.shop, floor.lead, **{**good, **changes})  # type: ignore[arg-type]

    with pytest.raises(NotAllowedError):
        limits.add_limit(
            floor.shop,
            floor.tech,
            depth="1 mm",
            compare=">",
            process_id=None,
            source="s",
            reason="r",
        )
    for bad, place in (
        ({"depth": "1.2"}, "depth"),
        ({"depth": "57 mm"}, "depth"),
        ({"depth": "0 mm"}, "depth"),
        ({"compare": "<"}, "comparison"),
        ({"source": ""}, "source"),
        ({"reason": ""}, "reason"),
        ({"since": "tomorrow"}, "date"),
        ({"process_id": 99}, "process"),
    ):
        with pytest.raises(ServiceError) as caught:
            enter(**bad)
        assert caught.value.place == place
    first = enter()
    number = floor.inspect("1.25")
    record = views.record(floor.shop, floor.tech, number).record
    assert record["parts"][5]["action"] == "replace"
    assert record["parts"][5]["limit"]["source"] == "manual p. 12"
    assert (
        record["sheet"]["sha256"]
        != views.record(floor.shop, floor.tech, old).record["sheet"]["sha256"]
    )
    limits.withdraw_limit(floor.shop, floor.lead, first, reason="manual revised")
    with pytest.raises(ConflictError):
        limits.withdraw_limit(floor.shop, floor.lead, first, reason="again")
    floor.inspect("0.3")
    assert (
        floor.shop.base.sha256
        == views.record(floor.shop, floor.tech, number + 1).record["sheet"]["sha256"]
    )


def test_a_hole_has_a_limit_once_the_shop_enters_one(floor: Floor) -> None:
    good = {"depth": "3 thou", "compare": ">", "process_id": None, "source": "m", "reason": "r"}

    def enter(on: str, **changes: object) -> int:
        return limits.add_limit(floor.shop, floor.lead, on=on, **{**good, **changes})  # type: ignore[arg-type]

    for on in ("nozzle/pit-depth", "swirl-ring/orifice-growth", "nozzle/nicks", "nozzle", ""):
        with pytest.raises(ServiceError) as caught:
            enter(on)
        assert caught.value.place == "limit on"
    with pytest.raises(ServiceError, match="hole's growth"):
        enter("nozzle/orifice-growth", depth="50 mm")
    enter("nozzle/orifice-roundness")
    enter("electrode/pit-off-centre", depth="0.3 mm", compare=">=")
    view = limits.limits_view(floor.shop, floor.tech)
    assert [(x.part, x.quantity, x.quoted()) for x in view.sheet.limits if x.shop] == [
        ("nozzle", "orifice-roundness", "3 thou"),
        ("electrode", "pit-off-centre", "0.3 mm"),
    ]
    assert view.own[0].limit.text == (
        "Replace when the pit's distance off centre is at or above 0.3 mm"
    )
    assert ("nozzle/orifice-off-centre", "Nozzle: hole off centre") in view.choices


def test_a_limit_for_later_does_not_hold_yet(floor: Floor) -> None:
    limits.add_limit(
        floor.shop,
        floor.lead,
        depth="20 thou",
        compare=">",
        process_id=None,
        source="s",
        reason="r",
        since="2031-04-01",
    )
    limits.add_limit(
        floor.shop,
        floor.lead,
        depth="0.047 in",
        compare=">",
        process_id=None,
        source="s",
        reason="r",
        since="2031-01-01",
    )
    view = limits.limits_view(floor.shop, floor.tech)
    assert [x.quoted() for x in view.sheet.limits if x.shop] == ["47 thou"]


def test_take_a_part_back_to_the_start(floor: Floor) -> None:
    number = floor.draft()
    drafts.set_mark(floor.shop, floor.tech, number, "electrode", "emitter-blown", "seen")
    drafts.set_lost(floor.shop, floor.tech, number, "electrode", lost=True)
    drafts.add_reading(floor.shop, floor.tech, number, "57 mm", key=floor.key())
    drafts.answer_question(floor.shop, floor.tech, number, "unit-slip")
    draft = drafts.clear_part(floor.shop, floor.tech, number, "electrode")
    assert draft.readings == []
    assert draft.marks == {}
    assert draft.answers == {}
    assert draft.decision.parts["electrode"].action == "not-looked"


def test_lost_in_the_cut_ends_the_life_so(floor: Floor) -> None:
    number = floor.draft()
    floor.look_all(number)
    drafts.set_mark(floor.shop, floor.tech, number, "electrode", "emitter-blown", "seen")
    drafts.set_lost(floor.shop, floor.tech, number, "electrode", lost=True)
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    with floor.shop.database.read() as session:
        ends = dict(
            session.execute(
                select(Fitting.part, Fitting.end).where(Fitting.removed_by_inspection == number)
            ).all()
        )
    assert ends == {"electrode": "lost", "nozzle": "replaced"}
