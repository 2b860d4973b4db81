"""What a part's page tells of the shelf: off it, for which record, and put back."""

from __future__ import annotations

import pytest

from kit import Floor
from pitwise.records.tables import PartItem
from pitwise.services import fittings, part_shelf, shelf_said
from pitwise.services.errors import NotFoundError
from pitwise.services.part_shelf import PartOnShelf
from shelf_kit import WORN, shelf_on


def part_in(floor: Floor, part: str) -> PartItem:
    with floor.shop.database.read() as session:
        return fittings.fitted(session, floor.torch)[part].item


def told(floor: Floor, part_id: int) -> PartOnShelf:
    return part_shelf.part_on_shelf(floor.shop, floor.tech, part_id)


def test_it_came_off_for_a_record_and_went_back_by_its_correction(floor: Floor) -> None:
    shelf = shelf_on(floor)
    shelf.goods_in(shelf.nozzle, 4, "A")
    shelf.goods_in(shelf.electrode, 4, "E")
    number = floor.inspect(seen=WORN)
    part = part_in(floor, "nozzle")
    (off,) = told(floor, part.id).moves
    assert (off.put_back, off.item_id, off.inspection_id) == (False, shelf.nozzle, number)
    assert (off.lot, off.kit, off.corrected_by, off.page) == ("A", "", None, 1)
    assert off.who == floor.tech.name
    top = shelf.ledger(shelf.nozzle)[0]
    # The ledger's line and the part's are one, and each knows the other.
    assert (top.id, top.part_item_id, top.at) == (off.movement_id, part.id, off.at)
    floor.clock.forward(minutes=5)
    fixed = shelf.correct(number, worn=True)
    first, back = told(floor, part.id).moves
    assert first == off
    assert (back.put_back, back.inspection_id, back.corrected_by) == (True, number, fixed)
    assert back.movement_id == next(m.id for m in shelf.ledger(shelf.nozzle) if m.kind == "undone")
    assert back.reason == ""
    # The correction replaced it all the same: another part came off, for the correction.
    fresh = part_in(floor, "nozzle")
    assert fresh.id != part.id
    (other,) = told(floor, fresh.id).moves
    assert (other.put_back, other.inspection_id) == (False, fixed)
    taken = {t.item_id: t for t in shelf_said.taken_for(floor.shop, floor.tech, number)}
    assert (taken[shelf.nozzle].part_item_id, taken[shelf.nozzle].tag) == (part.id, part.tag)
    assert taken[shelf.nozzle].put_back


def test_it_says_of_which_kit_it_came_and_when_the_book_knew_of_none(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shelf.goods_in(shelf.kit, 1, "K")
    lite.inspect(seen=WORN)
    (off,) = told(lite, part_in(lite, "nozzle").id).moves
    (with_it,) = told(lite, part_in(lite, "electrode").id).moves
    kits = {(off.kit_id, off.kit), (with_it.kit_id, with_it.kit)}
    # One kit was opened, for the first of the two; the other then lay loose.
    assert kits == {(shelf.kit, "Electrode and nozzle kit"), (None, "")}
    assert not off.below_zero
    lite.inspect(seen=WORN)
    assert told(lite, part_in(lite, "nozzle").id).moves[0].below_zero


def test_by_hand_undone_and_never_on_it(lite: Floor) -> None:
    first = part_in(lite, "nozzle")
    assert told(lite, first.id) == PartOnShelf((), None, "")
    shelf = shelf_on(lite)
    kept = told(lite, first.id)
    assert (kept.moves, kept.item_id) == ((), shelf.nozzle)
    shelf.goods_in(shelf.nozzle, 2)
    kind = first.part_type_id
    number = fittings.fit_part(lite.shop, lite.tech, lite.torch, part_type_id=kind)
    (off,) = told(lite, number).moves
    assert (off.inspection_id, off.put_back) == (None, False)
    shelf.undo(off.movement_id)
    back = told(lite, number).moves[1]
    assert (back.put_back, back.corrected_by, back.reason) == (True, None, "a slip")
    with pytest.raises(NotFoundError, match="there is no part 9999"):
        told(lite, 9999)


def test_a_line_on_an_older_page_of_the_ledger_is_found_there(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shelf.goods_in(shelf.nozzle, 2)
    lite.inspect(seen=WORN)
    part = part_in(lite, "nozzle").id
    for k in range(49):
        shelf.count(shelf.nozzle, k)
    assert told(lite, part).moves[0].page == 1
    shelf.count(shelf.nozzle, 3)
    assert told(lite, part).moves[0].page == 2
