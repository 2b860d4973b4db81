"""What inspections take from the shelf, and give back when they are corrected."""

from __future__ import annotations

import threading

import pytest
from sqlalchemy import func, select

from kit import Floor
from pitwise.records.tables import InspectionRow, PartItem, PartType
from pitwise.services import drafts, fittings, shelf_codes, shelf_items, signing
from pitwise.services.book import verify_book
from pitwise.services.errors import ConflictError, ServiceError
from pitwise.services.people import SYSTEM
from shelf_kit import WORN, Shelf, shelf_on


def part_in(floor: Floor, part: str, torch: int | None = None) -> PartItem:
    with floor.shop.database.read() as session:
        return fittings.fitted(session, torch or floor.torch)[part].item


def figures(shelf: Shelf) -> list[int]:
    return [shelf.balance(i) for i in (shelf.electrode, shelf.nozzle, shelf.kit)]


def test_a_replacement_takes_the_oldest_lot_and_the_part_keeps_it(floor: Floor) -> None:
    shelf = shelf_on(floor)
    shelf.goods_in(shelf.nozzle, 1, "A")
    shelf.goods_in(shelf.nozzle, 5, "B")
    shelf.goods_in(shelf.electrode, 5, "E")
    lots = []
    for _ in range(3):
        number = floor.inspect(seen=WORN)
        nozzle = part_in(floor, "nozzle")
        lots.append(nozzle.lot)
        top = shelf.ledger(shelf.nozzle)[0]
        assert (top.kind, top.pieces, top.part_tag, top.inspection_id, top.lot) == (
            "fitted",
            -1,
            nozzle.tag,
            number,
            nozzle.lot,
        )
    assert lots == ["A", "B", "B"]
    assert figures(shelf) == [2, 3, 0]
    assert shelf.lots(shelf.nozzle) == [("B", 3)]
    # What was not replaced was not taken.
    assert shelf.ledger(shelf.items["shield"]) == []
    assert verify_book(floor.shop, SYSTEM).faults == ()


def test_what_is_not_kept_on_the_shelf_is_fitted_as_ever(lite: Floor) -> None:
    old = part_in(lite, "nozzle").tag
    lite.inspect(seen=WORN)
    assert part_in(lite, "nozzle").tag != old
    assert part_in(lite, "nozzle").lot is None
    assert shelf_items.item_lines(lite.shop, lite.tech) == []


def test_signing_twice_takes_once(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shelf.goods_in(shelf.nozzle, 5)
    number = lite.inspect(seen=WORN)
    with lite.shop.database.read() as session:
        key = session.get_one(InspectionRow, number).sign_key
    assert key is not None
    again = signing.sign(lite.shop, lite.tech, number, key=key)
    assert again.again
    assert shelf.balance(shelf.nozzle) == 4
    assert len(shelf.ledger(shelf.nozzle)) == 2


def test_undoing_a_signed_replacement_puts_the_part_back(floor: Floor) -> None:
    shelf = shelf_on(floor)
    shelf.goods_in(shelf.nozzle, 1, "A")
    shelf.goods_in(shelf.nozzle, 4, "B")
    shelf.goods_in(shelf.electrode, 5, "E")
    number = floor.inspect(seen=WORN)
    assert figures(shelf) == [4, 4, 0]
    fixed = shelf.correct(number, worn=False)
    assert figures(shelf) == [5, 5, 0]
    assert shelf.lots(shelf.nozzle) == [("A", 1), ("B", 4)]
    top, was, *_ = shelf.ledger(shelf.nozzle)
    assert (top.kind, top.pieces, top.undoes, was.undone_by) == ("undone", 1, was.id, top.id)
    assert f"inspection {number} was corrected" in top.note
    assert not shelf.line(shelf.nozzle).count_again
    # Corrected once more: it was replaced after all.
    shelf.correct(fixed, worn=True)
    assert figures(shelf) == [4, 4, 0]
    assert part_in(floor, "nozzle").lot == "A"
    assert verify_book(floor.shop, SYSTEM).faults == ()


def test_a_correction_of_something_else_takes_as_many_again(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shelf.goods_in(shelf.nozzle, 3, "A")
    number = lite.inspect(seen=WORN)
    shelf.count(shelf.nozzle, 2)
    shelf.correct(number, worn=True)
    assert shelf.balance(shelf.nozzle) == 2
    assert shelf.lots(shelf.nozzle) == [("A", 2)]
    # The count stands: what was put back was fitted again.
    assert not shelf.line(shelf.nozzle).count_again
    assert verify_book(lite.shop, SYSTEM).faults == ()


def test_a_part_put_back_past_a_count_asks_for_another_count(floor: Floor) -> None:
    shelf = shelf_on(floor)
    shelf.goods_in(shelf.nozzle, 3)
    number = floor.inspect(seen=WORN)
    # It lay on the shelf all along, and was counted there.
    shelf.count(shelf.nozzle, 3)
    fixed = shelf.correct(number, worn=False)
    line = shelf.line(shelf.nozzle)
    assert (line.on_shelf, line.below_zero, line.count_again) == (4, False, True)
    shelf.correct(fixed, worn=True)
    assert shelf.line(shelf.nozzle).count_again is False
    assert shelf.line(shelf.nozzle).on_shelf == 3
    shelf.count(shelf.nozzle, 3)
    assert shelf.line(shelf.nozzle).count_again is False


def test_what_an_inspection_took_is_undone_by_correcting_it_only(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shelf.goods_in(shelf.nozzle, 3)
    number = lite.inspect(seen=WORN)
    top = shelf.ledger(shelf.nozzle)[0]
    assert not top.may_undo
    with pytest.raises(ConflictError, match=f"inspection {number} took it"):
        shelf.undo(top.id)


def test_without_a_piece_on_the_book_the_part_is_fitted_and_it_says_below_zero(
    floor: Floor,
) -> None:
    shelf = shelf_on(floor)
    number = floor.inspect(seen=WORN)
    top = shelf.ledger(shelf.nozzle)[0]
    assert (top.balance, top.below_zero, top.lot) == (-1, True, None)
    line = shelf.line(shelf.nozzle)
    assert (line.on_shelf, line.below_zero, line.count_again) == (-1, True, True)
    shelf.correct(number, worn=False)
    # Nothing was taken after all: the figure was right.
    line = shelf.line(shelf.nozzle)
    assert (line.on_shelf, line.below_zero, line.count_again) == (0, False, False)
    assert verify_book(floor.shop, SYSTEM).faults == ()


def test_a_kit_is_opened_where_no_loose_piece_is_there(floor: Floor) -> None:
    shelf = shelf_on(floor)
    shelf.goods_in(shelf.nozzle, 2, "N")
    shelf.goods_in(shelf.kit, 2, "K")
    number = floor.inspect(seen=WORN)
    # The nozzle comes out of the kit that was opened for the electrode, not off the rack.
    assert figures(shelf) == [0, 2, 1]
    lots = (part_in(floor, "electrode").lot, part_in(floor, "nozzle").lot)
    assert lots in {("K", "K"), ("K", "N")}
    assert [x.kind for x in shelf.ledger(shelf.electrode)] == ["fitted", "kit-opened"]
    assert {x.inspection_id for x in shelf.ledger(shelf.electrode)} == {number}
    shelf.correct(number, worn=False)
    assert figures(shelf) == [0, 2, 2]
    assert verify_book(floor.shop, SYSTEM).faults == ()


def test_a_kit_stays_open_once_a_piece_of_it_is_used(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shelf.goods_in(shelf.kit, 1, "K")
    shelf.goods_in(shelf.nozzle, 1, "N")
    number = lite.inspect(seen=WORN)
    assert figures(shelf) == [0, 1, 0]
    shelf.take(shelf.nozzle, 1)
    shelf.correct(number, worn=False)
    # One electrode and one nozzle are back; with the other nozzle gone the kit would be
    # whole again by the figures, and is.
    assert figures(shelf) == [0, 0, 1]
    fixed = lite.inspect(seen=WORN, torch=lite.other)
    assert figures(shelf) == [0, 0, 0]
    shelf.goods_in(shelf.electrode, 1)
    shelf.goods_in(shelf.kit, 1)
    shelf.correct(fixed, worn=False)
    assert figures(shelf) == [1, 0, 2]
    assert verify_book(lite.shop, SYSTEM).faults == ()


def test_a_kit_cannot_be_whole_again_without_its_nozzle(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shelf.goods_in(shelf.kit, 1, "K")
    # The electrode alone: its pit is over the limit, and the nozzle goes with it.
    number = lite.inspect(seen=WORN)
    shelf.goods_in(shelf.nozzle, 1)
    shelf.take(shelf.nozzle, 1)
    with lite.shop.database.read() as session:
        kind = session.scalar(
            select(PartItem.part_type_id).where(PartItem.id == part_in(lite, "nozzle").id)
        )
    assert kind is not None
    fittings.fit_part(lite.shop, lite.tech, lite.other, part_type_id=kind)
    assert figures(shelf) == [0, -1, 0]
    shelf.correct(number, worn=False)
    assert figures(shelf) == [1, 0, 0]
    assert verify_book(lite.shop, SYSTEM).faults == ()


def test_fitting_by_hand_takes_a_piece_unless_it_was_in_already(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shelf.goods_in(shelf.nozzle, 1, "A")
    shelf.goods_in(shelf.nozzle, 3, "B")
    with lite.shop.database.read() as session:
        kind = fittings.fitted(session, lite.torch)["nozzle"].item.part_type_id

    def fit(**more: object) -> None:
        given: dict[str, object] = {"part_type_id": kind} | more
        fittings.fit_part(lite.shop, lite.tech, lite.torch, **given)  # type: ignore[arg-type]  # of the test's own making

    fit(lot="B")
    assert shelf.lots(shelf.nozzle) == [("A", 1), ("B", 2)]
    fit(from_shelf=False)
    assert shelf.balance(shelf.nozzle) == 3
    fit()
    assert part_in(lite, "nozzle").lot == "A"
    old = part_in(lite, "nozzle").tag
    fit()
    # A part that comes back to a torch is no piece off the shelf.
    fittings.fit_part(lite.shop, lite.tech, lite.torch, item_tag=old)
    assert shelf.lots(shelf.nozzle) == [("B", 1)]
    hand = shelf.ledger(shelf.nozzle)[0]
    assert (hand.kind, hand.inspection_id, hand.may_undo) == ("fitted", None, True)
    shelf.undo(hand.id)
    assert shelf.balance(shelf.nozzle) == 2
    assert verify_book(lite.shop, SYSTEM).faults == ()


def _in_now(floor: Floor) -> dict[str, int]:
    with floor.shop.database.read() as session:
        return {p: f.part_item_id for p, f in fittings.fitted(session, floor.torch).items()}


def test_a_form_of_fitting_sent_twice_fits_once(floor: Floor) -> None:
    shelf = shelf_on(floor)
    shelf.goods_in(shelf.nozzle, 4, "A")
    shown = _in_now(floor)
    with floor.shop.database.read() as session:
        kind = fittings.fitted(session, floor.torch)["nozzle"].item.part_type_id
    key = floor.key()
    start = threading.Barrier(2)
    got: list[int | str] = []

    def fit(key: str) -> None:
        start.wait(30)
        try:
            got.append(
                fittings.fit_part(
                    floor.shop, floor.tech, floor.torch, part_type_id=kind, key=key, seen=shown
                )
            )
        except ConflictError as refusal:
            got.append(refusal.problem)

    def both(*keys: str) -> None:
        tablets = [threading.Thread(target=fit, args=(k,)) for k in keys]
        for tablet in tablets:
            tablet.start()
        for tablet in tablets:
            tablet.join(60)

    both(key, key)
    assert got == [got[0]] * 2
    assert shelf.balance(shelf.nozzle) == 3
    assert _in_now(floor)["nozzle"] == got[0]
    # Another form under the old key, and an old page with a key of its own.
    with pytest.raises(ConflictError, match="went in before"):
        fittings.fit_part(
            floor.shop, floor.tech, floor.torch, part_type_id=kind, lot="B", key=key, seen=shown
        )
    shown = _in_now(floor)
    got.clear()
    both(floor.key(), floor.key())
    (said,) = [x for x in got if isinstance(x, str)]
    assert said == f"the nozzle {part_in(floor, 'nozzle').tag} is in it by now, and this page " + (
        "showed another"
    )
    assert shelf.balance(shelf.nozzle) == 2
    assert verify_book(floor.shop, SYSTEM).faults == ()


def test_a_part_is_taken_out_once_and_only_the_one_that_was_shown(floor: Floor) -> None:
    shop, tech, torch = floor.shop, floor.tech, floor.torch
    shown, key = _in_now(floor), floor.key()
    for _ in range(2):
        fittings.remove_part(shop, tech, torch, "nozzle", key=key, seen=shown)
    assert "nozzle" not in _in_now(floor)
    with pytest.raises(ConflictError, match="went in before"):
        fittings.remove_part(shop, tech, torch, "electrode", key=key, seen=shown)
    with floor.shop.database.read() as session:
        kind = fittings.fitted(session, floor.other)["nozzle"].item.part_type_id
    with pytest.raises(ConflictError, match="no nozzle is in it by now, and this page showed"):
        fittings.fit_part(shop, tech, torch, part_type_id=kind, key=floor.key(), seen=shown)
    empty = _in_now(floor)
    fittings.fit_part(shop, tech, torch, part_type_id=kind, key=floor.key(), seen=empty)
    for old in (shown, empty):
        with pytest.raises(ConflictError, match="is in it by now"):
            fittings.remove_part(shop, tech, torch, "nozzle", key=floor.key(), seen=old)
    with pytest.raises(ServiceError, match="carries no key"):
        fittings.remove_part(shop, tech, torch, "nozzle", key="", seen=_in_now(floor))
    assert "nozzle" in _in_now(floor)


def test_what_is_put_aside_is_not_taken(lite: Floor) -> None:
    shelf = shelf_on(lite)
    kit = shelf.line(shelf.kit)
    nozzle = shelf.line(shelf.nozzle)

    def aside(line_id: int, name: str, code: str) -> None:
        shelf_items.edit_item(
            lite.shop, lite.lead, line_id, name=name, code=code, place="", active=False
        )

    with pytest.raises(ConflictError, match="the kit .* holds it"):
        aside(nozzle.id, nozzle.name, nozzle.code)
    aside(kit.id, kit.name, kit.code)
    aside(nozzle.id, nozzle.name, nozzle.code)
    lite.inspect(seen=WORN)
    assert shelf.ledger(shelf.nozzle) == []
    assert shelf.ledger(shelf.electrode)[0].kind == "fitted"


def test_two_torches_signed_at_once_take_a_piece_each(floor: Floor) -> None:
    shelf = shelf_on(floor)
    shelf.goods_in(shelf.nozzle, 1, "A")
    shelf.goods_in(shelf.nozzle, 1, "B")
    shelf.goods_in(shelf.electrode, 2)
    ready = []
    for torch in (floor.torch, floor.other):
        number = floor.draft(torch)
        make_ready(floor, number)
        ready.append(number)
    gate = threading.Barrier(2)
    faults: list[Exception] = []

    def sign(number: int) -> None:
        gate.wait()
        try:
            signing.sign(floor.shop, floor.tech, number, key=f"at-once-{number:06d}")
        except Exception as error:  # noqa: BLE001 -- told below, in the test's own thread
            faults.append(error)

    threads = [threading.Thread(target=sign, args=(n,)) for n in ready]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    lots = {part_in(floor, "nozzle", t).lot for t in (floor.torch, floor.other)}
    assert lots == {"A", "B"}
    assert figures(shelf) == [0, 0, 0]
    assert verify_book(floor.shop, SYSTEM).faults == ()


def make_ready(floor: Floor, number: int) -> None:
    drafts.set_mark(floor.shop, floor.tech, number, *WORN[0], "seen")
    floor.look_all(number)
    drafts.add_reading(floor.shop, floor.tech, number, "0.40 mm", key=floor.key())


def test_one_code_is_one_thing(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shop, lead = lite.shop, lite.lead
    with shop.database.read() as session:
        newest = session.scalar(select(func.max(PartItem.id))) or 0
        kind = session.scalar(select(PartType.id).where(PartType.part == "nozzle"))
    code = shelf.line(shelf.electrode).code
    for tag, said in ((code.lower(), "the code of 'electrode 300'"), ("o-0001", "orders")):
        with pytest.raises(ConflictError, match=said):
            fittings.fit_part(shop, lead, lite.other, part_type_id=kind, new_tag=tag)
    # The tag the next part would get is an item's code by now, and the one after a part's.
    shelf_items.add_item(shop, lead, kind="other", name="Grease", code=f"nz-{newest + 1:05d}")
    item = fittings.fit_part(shop, lead, lite.other, part_type_id=kind)
    with shop.database.read() as session:
        part = session.get(PartItem, item)
        assert part is not None
        assert (part.id, part.tag) == (newest + 1, f"NZ-{newest + 2:05d}")
    again = fittings.fit_part(shop, lead, lite.other, part_type_id=kind)
    with shop.database.read() as session:
        part = session.get(PartItem, again)
        assert part is not None
        assert part.tag == f"NZ-{newest + 3:05d}"
    for wanted in (f"nz-{newest + 1:05d}", f"nz-{newest + 2:05d}"):
        found = shelf_codes.by_code(shop, lead, wanted)
        assert found.kind == ("item" if wanted.endswith(f"{newest + 1}") else "part")
    with pytest.raises(ConflictError, match="the tag of a part"):
        shelf_items.add_item(shop, lead, kind="other", name="O-ring", code=f"NZ-{newest + 3:05d}")
