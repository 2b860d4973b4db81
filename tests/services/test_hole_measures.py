"""Photos on the bench: taken in, measured, kept, undone, signed and corrected."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select, update

from hole_kit import REFUSED, answer, body, picture, quick_intake
from kit import Floor
from pitwise.records.photo_tables import DecisionMeasure, HoleMeasure, PartFace, Photo
from pitwise.services import (
    drafts,
    forecasts,
    hole_history,
    hole_measures,
    intake,
    limits,
    measure_worker,
    part_faces,
    people,
    setup,
    signing,
    views,
    wear_book,
)
from pitwise.services.book_verify import verify_book
from pitwise.services.draft_view import Draft
from pitwise.services.errors import (
    ConflictError,
    NotAllowedError,
    NotFoundError,
    ServiceError,
    UnfinishedError,
)

# Every photo another picture: the same one twice counts once.
SHADES = itertools.cycle(range(256))


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "take", quick_intake)


@pytest.fixture
def gives(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[dict[str, Any]]]:
    """Let the worker give these results, in order (the last one for ever)."""

    def set_to(*bodies: dict[str, Any]) -> list[dict[str, Any]]:
        left, asked = list(bodies), []

        def measure(_shop: object, ids: list[int], **how: Any) -> dict[str, Any]:
            asked.append({"ids": ids, **how})
            return answer(left.pop(0) if len(left) > 1 else left[0])

        monkeypatch.setattr(measure_worker, "measure", measure)
        return asked

    return set_to


def add(floor: Floor, number: int, part: str = "nozzle", **more: Any) -> Draft:
    given = {"key": floor.key(), "rim": "18.5", "shade": next(SHADES), **more}
    shown = picture(given.pop("shade"))
    return hole_measures.add_photo(floor.shop, floor.tech, number, part, shown, **given)


def kind_of(floor: Floor, part: str) -> int:
    return next(t.id for t in setup.shop_list(floor.shop, floor.tech).part_types if t.part == part)


def face(floor: Floor, part: str = "nozzle", hole: str = "2.00 mm", u: str = "0.004") -> int:
    return part_faces.set_face(
        floor.shop,
        floor.lead,
        kind_of(floor, part),
        rim="18.5 mm",
        hole=hole,
        hole_u=u,
        reason="caliper",
    )


def test_a_photo_is_measured_kept_and_shown_to_the_other_tablet(floor: Floor, gives: Any) -> None:
    asked = gives(body())
    number = floor.draft()
    key = floor.key()
    add(floor, number, key=key)
    again = add(floor, number, key=key)
    assert len(asked) == 1, "the same submission twice is one"
    (measure,) = drafts.read_draft(floor.shop, floor.lead, number).holes["nozzle"]
    assert measure.row.diameter_mm == 2.05
    assert measure.body["rim_mm"] == 18.5
    assert asked[0]["rim_mm"] == 18.5
    assert asked[0]["feature"] == "orifice"
    holes = {h.reading.quantity: h for h in again.decision.parts["nozzle"].holes}
    assert set(holes) == {"orifice-diameter", "orifice-roundness", "orifice-off-centre"}
    assert again.decision.parts["nozzle"].action == "not-looked", "a number is no look"
    media, content = hole_measures.picture(floor.shop, floor.tech, measure.row.id)
    assert (media, content) == ("image/jpeg", picture(200, "JPEG").getvalue())


def test_a_refused_photo_is_no_number_and_no_look(floor: Floor, gives: Any) -> None:
    gives(REFUSED)
    number = floor.draft()
    draft = add(floor, number)
    (measure,) = draft.holes["nozzle"]
    assert measure.refusal is not None
    assert measure.refusal["mend"] == "hold it still"
    assert draft.decision.parts["nozzle"].holes == ()
    assert draft.decision.parts["nozzle"].action == "not-looked"
    assert draft.wants("nozzle")


def test_the_rim_is_asked_for_once_and_only_a_lead_changes_it(floor: Floor, gives: Any) -> None:
    asked = gives(body())
    number = floor.draft()
    add(floor, number, rim="")
    assert asked[-1]["rim_mm"] is None
    add(floor, number, rim="18.5")
    add(floor, number, rim="")
    assert asked[-1]["rim_mm"] == 18.5
    with pytest.raises(ServiceError, match="rim"):
        add(floor, number, rim="a finger")
    with pytest.raises(NotAllowedError):
        part_faces.set_face(floor.shop, floor.tech, 4, rim="19", reason="r")
    with floor.shop.database.read() as session:
        (row,) = session.scalars(select(PartFace)).all()
        assert (row.rim_mm, row.by) == (18.5, floor.tech.person_id)


def test_growth_is_against_the_hole_when_new(floor: Floor, gives: Any) -> None:
    gives(body(diameter=2.08))
    face(floor)
    draft = add(floor, floor.draft())
    growth = next(
        h.reading
        for h in draft.decision.parts["nozzle"].holes
        if h.reading.quantity == "orifice-growth"
    )
    assert growth.value_mm == pytest.approx(0.08)
    assert growth.u_mm == pytest.approx(0.005)


def test_limit_recheck_second_photo_and_taking_out(floor: Floor, gives: Any) -> None:
    gives(body(roundness=0.078), body(roundness=0.079))
    limits.add_limit(
        floor.shop,
        floor.lead,
        depth="0.08 mm",
        compare=">",
        process_id=None,
        source="manual",
        reason="r",
        on="nozzle/orifice-roundness",
    )
    number = floor.draft()
    floor.look_all(number)
    drafts.add_reading(floor.shop, floor.tech, number, "0.4", key=floor.key())
    draft = add(floor, number)
    assert draft.decision.parts["nozzle"].action == "recheck"
    assert "Nozzle: take another photo." in draft.obstacles()
    with pytest.raises(UnfinishedError, match=r"another photo\. Mend: finish"):
        signing.sign(floor.shop, floor.tech, number, key=floor.key())
    draft = add(floor, number)
    assert draft.decision.parts["nozzle"].action == "replace"
    second = draft.holes["nozzle"][1].row.id
    draft = hole_measures.set_taken_out(floor.shop, floor.tech, number, second, out=True)
    assert draft.decision.parts["nozzle"].action == "recheck"
    draft = hole_measures.set_taken_out(floor.shop, floor.tech, number, second, out=False)
    assert draft.decision.parts["nozzle"].action == "replace"
    with pytest.raises(NotFoundError):
        hole_measures.set_taken_out(floor.shop, floor.tech, number, 999, out=True)


def test_four_turns_cancel_what_the_camera_adds(floor: Floor, gives: Any) -> None:
    # The part's own vector (0.03, 0) turns with it; the camera adds (0, 0.05) every time.
    own = [(0.03, 0.0), (0.0, 0.03), (-0.03, 0.0), (0.0, -0.03)]
    gives(
        *(
            body(off_centre_mm={"value": 1.0, "u": 0.02, "angle_deg": 0, "x": x, "y": y + 0.05})
            for x, y in own
        )
    )
    number = floor.draft()
    for turn in range(4):
        draft = add(floor, number, turn=turn)
    off = next(
        h.reading
        for h in draft.decision.parts["nozzle"].holes
        if h.reading.quantity == "orifice-off-centre"
    )
    assert off.photos == 4
    assert off.value_mm == pytest.approx(0.03)
    with pytest.raises(ServiceError, match="turn"):
        add(floor, number, turn=4)


def test_signed_measures_stand_in_record_and_book_and_are_copied(floor: Floor, gives: Any) -> None:
    gives(body(), REFUSED, body(roundness=0.02))
    face(floor)
    number = floor.draft()
    for _ in range(3):
        draft = add(floor, number)
    hole_measures.set_taken_out(
        floor.shop, floor.tech, number, draft.holes["nozzle"][2].row.id, out=True
    )
    floor.look_all(number)
    drafts.add_reading(floor.shop, floor.tech, number, "0.4", key=floor.key())
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    record = views.record(floor.shop, floor.tech, number).record
    nozzle = next(p for p in record["parts"] if p["part"] == "nozzle")
    assert [m["result"]["refused"] is None for m in nozzle["measures"]] == [True, False]
    assert len(nozzle["measures"][0]["photo"]["sha256"]) == 64
    assert nozzle["measures"][0]["result"]["budget"]
    with floor.shop.database.read() as session:
        rows = {r.quantity: r for r in session.scalars(select(DecisionMeasure))}
        assert rows["orifice-growth"].value_mm == pytest.approx(0.05)
        assert rows["orifice-roundness"].limit_mm is None
    assert verify_book(floor.shop, people.SYSTEM).faults == ()
    new = signing.correct(floor.shop, floor.tech, number, reason="typed wrong", key=floor.key())
    copied = drafts.read_draft(floor.shop, floor.tech, new)
    assert [m.row.taken_out for m in copied.holes["nozzle"]] == [False, False, True]
    assert {h.reading.quantity for h in copied.decision.parts["nozzle"].holes} == set(rows)
    with pytest.raises(ConflictError):
        add(floor, number)
    with pytest.raises(Exception, match="signed"), floor.shop.database.write() as session:
        session.execute(
            update(HoleMeasure).where(HoleMeasure.inspection_id == number).values(diameter_mm=1.0)
        )
    drafts.clear_part(floor.shop, floor.tech, new, "nozzle")
    assert drafts.read_draft(floor.shop, floor.tech, new).decision.parts["nozzle"].holes == ()


def test_photos_that_contradict_are_named_and_noise_is_not_a_contradiction(
    floor: Floor, gives: Any
) -> None:
    gives(body(), body(roundness=0.039), body(), body(diameter=2.15, roundness=0.03))
    number = floor.draft()
    add(floor, number)
    assert add(floor, number).photos["nozzle"].warnings == ()
    add(floor, number)
    draft = add(floor, number)
    assert any("diameter" in w for w in draft.photos["nozzle"].warnings)
    odd = draft.photos["nozzle"].outlier
    assert odd is not None
    assert odd.row.diameter_mm == 2.15


def test_only_some_parts_and_never_too_many(floor: Floor, gives: Any) -> None:
    gives(body())
    number = floor.draft()
    with pytest.raises(NotFoundError):
        add(floor, number, part="swirl-ring")
    with pytest.raises(NotFoundError):
        add(floor, 99)
    for _ in range(hole_measures.MOST_PHOTOS):
        add(floor, number)
    with pytest.raises(ServiceError, match="take some out"):
        add(floor, number)


def test_what_a_face_can_not_be(floor: Floor) -> None:
    nozzle, ring = kind_of(floor, "nozzle"), kind_of(floor, "swirl-ring")

    def enter(kind: int = nozzle, *, rim: str = "18.5", reason: str = "r", **more: Any) -> int:
        return part_faces.set_face(floor.shop, floor.lead, kind, rim=rim, reason=reason, **more)

    bads: tuple[dict[str, Any], ...] = (
        {"rim": "1 mm"},
        {"rim": ""},
        {"hole": "19 mm"},
        {"hole_u": "0.01"},
        {"hole": "2", "hole_u": "x"},
        {"reason": ""},
    )
    for bad in bads:
        with pytest.raises(ServiceError):
            enter(**bad)
    with pytest.raises(ServiceError, match="not measured"):
        enter(ring)
    with pytest.raises(NotFoundError):
        enter(999)
    enter(hole="2.00")
    enter(hole="2.0", reason="better caliper")
    view = part_faces.face_view(floor.shop, floor.tech, nozzle)
    assert view.face is not None
    assert view.face.hole_u_mm == pytest.approx(
        math.hypot(0.1 / 12**0.5, part_faces.PART_SCATTER_MM)
    )
    assert [f.reason for f in view.earlier] == ["r"]


def test_a_photo_that_was_not_measured_is_measured_when_sent_again(
    floor: Floor, gives: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    gives(body())
    good = measure_worker.measure
    number = floor.draft()
    key = floor.key()

    def broken(*_args: object, **_how: object) -> dict[str, Any]:
        raise ServiceError("photo", "the worker stopped", "send it again")

    monkeypatch.setattr(measure_worker, "measure", broken)
    with pytest.raises(ServiceError):
        add(floor, number, key=key)
    monkeypatch.setattr(measure_worker, "measure", good)
    draft = add(floor, number, key=key)
    assert len(draft.holes["nozzle"]) == 1
    with floor.shop.database.read() as session:
        assert len(session.scalars(select(Photo)).all()) == 1
        assert json.loads(session.scalars(select(HoleMeasure.photo_ids)).one())


def test_growth_over_starts_feeds_its_own_wear_history(floor: Floor, gives: Any) -> None:
    gives(*(body(diameter=2.0 + 0.02 * k) for k in range(1, 5)))
    face(floor)
    limits.add_limit(
        floor.shop,
        floor.lead,
        depth="0.2 mm",
        compare=">",
        process_id=None,
        source="manual",
        reason="r",
        on="nozzle/orifice-growth",
    )
    for k in range(4):
        number = floor.draft()
        draft = add(floor, number, rim="")
        floor.look_all(number)
        drafts.add_reading(floor.shop, floor.tech, number, f"0.{k + 1}", key=floor.key())
        drafts.set_use(floor.shop, floor.tech, number, starts=str(100 * k), arc_minutes=str(50 * k))
        signing.sign(floor.shop, floor.tech, number, key=floor.key())
        floor.clock.forward(days=1)
    item = draft.fitted["nozzle"].part_item_id
    other = draft.fitted["shield"].part_item_id
    with floor.shop.database.read() as session:
        known = wear_book.histories(session, quantity=wear_book.GROWTH)
        assert set(known.of) == {item}
        steps = known.of[item].steps
        assert [s.depth_mm for s in steps] == pytest.approx([0.02, 0.04, 0.06, 0.08])
        assert [s.starts for s in steps] == [0, 100, 200, 300]
        assert wear_book.histories(session).readings == 4, "pit depths stay their own"
    before = hole_history.hole_history(floor.shop, floor.tech, item)
    assert before.left is not None
    assert not before.left.own_fit
    forecasts.keep_up(floor.shop)
    after = hole_history.hole_history(floor.shop, floor.tech, item)
    assert after.left is not None
    assert after.left.own_fit
    assert after.left.low < after.left.middle < after.left.high
    growth = next(c for c in after.courses if c.quantity == "orifice-growth")
    assert growth.limit is not None
    assert [p.starts for p in growth.points] == [0, 100, 200, 300]
    assert hole_history.hole_history(floor.shop, floor.tech, other).courses == []
    with floor.shop.database.read() as session:
        assert wear_book.latest_row(session) is not None
        assert wear_book.latest_row(session, wear_book.GROWTH) is not None


def off_at(x: float, y: float = 0.0, u: float = 0.013) -> dict[str, Any]:
    return body(
        off_centre_mm={"value": (x * x + y * y) ** 0.5, "u": u, "angle_deg": 0, "x": x, "y": y}
    )


def off_reading(draft: Draft) -> Any:
    holes = draft.decision.parts["nozzle"].holes
    return next(h.reading for h in holes if h.reading.quantity == "orifice-off-centre")


def test_four_turns_of_a_part_that_was_not_turned_give_no_number(floor: Floor, gives: Any) -> None:
    gives(off_at(0.35))
    number = floor.draft()
    for turn in range(4):
        draft = add(floor, number, turn=turn)
    assert off_reading(draft).value_mm == pytest.approx(0.35)
    assert any("not turned" in w for w in draft.photos["nozzle"].warnings)
    drafts.clear_part(floor.shop, floor.tech, number, "nozzle")
    # Too little to be refused by, and still not passed off as centred.
    gives(off_at(0.04))
    for turn in range(4):
        draft = add(floor, number, turn=turn)
    assert off_reading(draft).value_mm == pytest.approx(0.04)
    assert any("not turned" in w for w in draft.photos["nozzle"].warnings)


def test_one_picture_is_no_two_turns_and_counts_once(floor: Floor, gives: Any) -> None:
    gives(body())
    number = floor.draft()
    for turn in range(4):
        draft = add(floor, number, turn=turn, shade=7)
    assert off_reading(draft).photos == 1
    assert any("same picture" in w for w in draft.photos["nozzle"].warnings)


def test_a_photo_over_the_limit_is_not_averaged_below_it(floor: Floor, gives: Any) -> None:
    gives(*[body(roundness=0.01)] * 8, body(roundness=0.237))
    limits.add_limit(
        floor.shop,
        floor.lead,
        depth="0.1 mm",
        compare=">",
        process_id=None,
        source="manual",
        reason="r",
        on="nozzle/orifice-roundness",
    )
    number = floor.draft()
    for _ in range(9):
        draft = add(floor, number)
    (why,) = [r for r in draft.decision.parts["nozzle"].because if "one photo reads" in r.text]
    assert why.rule == "hole-over-limit-orifice-roundness"
    assert draft.decision.parts["nozzle"].action == "replace"
    odd = next(m for m in draft.holes["nozzle"] if m.row.roundness_mm == 0.237)
    draft = hole_measures.set_taken_out(floor.shop, floor.tech, number, odd.row.id, out=True)
    assert draft.decision.parts["nozzle"].action == "not-looked"
