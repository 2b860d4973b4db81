"""The page of what lies ahead, from the torch's card to the shared queue."""

from __future__ import annotations

from itertools import pairwise

import pytest

from kit import Floor
from pitwise.services import ahead_page as pages
from pitwise.services import fittings, imports, programs, setup, views
from pitwise.services.ahead_page import AheadPage, ChangeRow, PlateRow, ahead_page
from pitwise.services.forecasts import keep_up
from pitwise.services.station_settings import save_settings

CUT = "G0 X{0}\nM3\nG4 P0.5\nG1 Y{1} F2500\nM5\n"


def program(starts: int) -> bytes:
    return ("G21\n" + "".join(CUT.format(n, 40 + n % 7) for n in range(starts))).encode()


def bring(floor: Floor, name: str = "bracket-12.nc", starts: int = 60) -> str:
    floor.clock.forward(minutes=1)
    done = imports.import_file(floor.shop, floor.tech, name, program(starts), way="upload")
    return str(done.program_ids[0])


def ask(floor: Floor, *wanted: tuple[str, str], torches: tuple[str, ...] = ("1",)) -> AheadPage:
    return ahead_page(floor.shop, floor.tech, torches, wanted)


def test_a_torch_tells_starts_left_and_what_it_rests_on(floor: Floor) -> None:
    card = views.torch(floor.shop, floor.tech, floor.torch)
    assert card.starts_left is not None
    assert "prior speaking" in card.starts_left.basis
    assert card.starts_left.plates is None
    bring(floor)
    floor.inspect("0.02 mm", starts="10", minutes="4")
    floor.inspect("0.40 mm", starts="310", minutes="124")
    keep_up(floor.shop)
    card = next(v for v in views.torches(floor.shop, floor.tech) if v.torch.id == floor.torch)
    left = card.starts_left
    assert left is not None
    assert left.p05 < left.median < left.p95
    assert "this electrode's own readings alone" in left.basis
    assert left.plates is not None
    assert left.plates.program == "bracket-12.nc"
    assert left.plates.p05 <= left.plates.median <= left.plates.p95
    assert left.plates.median * 60 <= left.p95


def test_without_an_electrode_nothing_is_forecast(floor: Floor) -> None:
    fittings.remove_part(floor.shop, floor.tech, floor.torch, "electrode")
    card = views.torch(floor.shop, floor.tech, floor.torch)
    assert card.starts_left is None
    assert not card.has_electrode
    page = ask(floor, (bring(floor), "2"))
    assert page.lack == "electrode"


def test_near_the_limit_few_starts_are_left(floor: Floor) -> None:
    floor.inspect("0.02 mm", starts="10", minutes="4")
    floor.inspect("1.40 mm", starts="500", minutes="200")
    card = views.torch(floor.shop, floor.tech, floor.torch)
    assert card.starts_left is not None
    assert card.starts_left.p05 <= card.starts_left.median < 250


def test_the_answer_follows_the_order_and_folds_nothing_short(floor: Floor) -> None:
    one, two = bring(floor), bring(floor, "flange.nc", 90)
    page = ask(floor, (one, "3"), (two, "2"), (one, "1"))
    assert page.lack == ""
    assert page.problems == ()
    assert [(r.name, r.times) for r in page.runs] == [
        ("bracket-12.nc", 3),
        ("flange.nc", 2),
        ("bracket-12.nc", 1),
    ]
    rows = [r for r in page.rows if isinstance(r, PlateRow)]
    assert [r.first for r in rows] == [1, 2, 3, 4, 5, 6]
    assert [r.starts for r in rows] == [60, 60, 60, 90, 90, 60]
    assert page.view is not None
    changes = [r for r in page.rows if isinstance(r, ChangeRow)]
    assert len(changes) == len(page.view.outlook.changes)
    assert all(r.low_mm <= r.median_mm <= r.high_mm for r in rows)


def test_many_plates_are_folded_and_all_are_there(floor: Floor) -> None:
    one, two = bring(floor), bring(floor, "small.nc", 5)
    page = ask(floor, (one, "30"), (two, "25"))
    rows = [r for r in page.rows if isinstance(r, PlateRow)]
    assert len(rows) < 40
    assert rows[0].first == 1
    assert rows[-1].last == 55
    for a, b in pairwise(rows):
        assert b.first == a.last + 1
        assert (a.name, a.set_number) != (b.name, b.set_number)


def test_a_plate_no_set_finishes_is_changed_at_a_pierce_named_by_line(floor: Floor) -> None:
    page = ask(floor, (bring(floor, "huge.nc", 3000), "1"))
    assert page.view is not None
    inside = [r for r in page.rows if isinstance(r, ChangeRow) and "line" in r.words]
    assert inside
    assert page.rows.index(inside[0]) < len(page.rows) - 1


@pytest.mark.parametrize(
    "times", ["0", "-3", "2.5", "1e3", "many", "999999999999", "201", "", "١٢x", "𝟚" * 12]
)
def test_a_number_that_cant_be_is_named_and_the_rest_answered(floor: Floor, times: str) -> None:
    one = bring(floor)
    page = ask(floor, (one, times), (one, "2"))
    assert page.lack == ""
    assert page.plates == 2
    assert page.lines[0].problem
    assert page.problems[0].startswith("bracket-12.nc: ")


def test_programs_unknown_withdrawn_or_dark_are_named_and_the_rest_answered(floor: Floor) -> None:
    one = bring(floor)
    gone = bring(floor, "gone.nc", 7)
    programs.withdraw(floor.shop, floor.tech, int(gone))
    floor.clock.forward(minutes=1)
    dark = str(
        imports.import_file(
            floor.shop, floor.tech, "dark.nc", b"G21\nG0 X5\nM30\n", way="upload"
        ).program_ids[0]
    )
    bad = ("4711", "99999999999999", "-1", "drop table", "１", "")
    page = ask(floor, (gone, "1"), (dark, "1"), *((x, "1") for x in bad), (one, "2"))
    assert page.lack == ""
    assert page.plates == 2
    said = "\n".join(page.problems)
    assert "gone.nc: it is withdrawn" in said
    assert "dark.nc: it lights no torch" in said
    assert said.count("there is no such program") == len(bad)


def test_a_program_the_settings_cant_count_says_why(floor: Floor) -> None:
    one = bring(floor)
    odd = imports.import_file(
        floor.shop, floor.tech, "odd.nc", b"M3\nG1 X10 F500\nM5\nM64 P1\nM30\n", way="upload"
    )
    save_settings(floor.shop, floor.lead, 1, {"on_codes": "M64 P1"}, "output lights it")
    page = ask(floor, (str(odd.program_ids[0]), "1"), (one, "1"))
    assert all(x.problem or x.count for x in page.lines)


def test_ten_thousand_lines_are_cut_short(floor: Floor) -> None:
    one = bring(floor, starts=2)
    page = ask(floor, *([(one, "1")] * 10_000))
    assert len(page.lines) == pages.MOST_LINES
    assert "Only the first 60 of 10000" in page.problems[0]
    assert page.view is not None


def test_more_plates_than_are_looked_at_are_refused_in_words(floor: Floor) -> None:
    one = bring(floor, starts=2)
    page = ask(floor, (one, "150"), (one, "150"))
    assert page.lack == "answer"
    assert "300 plates are more than the 200" in page.problems[0]


def test_torches_that_are_not_there_are_left_out(floor: Floor) -> None:
    one = bring(floor)
    page = ask(floor, (one, "1"), torches=("77", "x", "1", "1"))
    assert page.chosen == (1,)
    assert page.view is not None
    assert len(page.problems) == 2
    assert ask(floor, (one, "1"), torches=()).lack == "torch"
    assert ask(floor).lack == "lines"


def test_several_torches_share_the_queue(floor: Floor) -> None:
    one, two = bring(floor), bring(floor, "flange.nc", 90)
    page = ask(floor, (one, "5"), (two, "2"), torches=("1", "2"))
    assert page.view is None
    assert [r.torch.id for r in page.queue_rows] == [1, 2]
    dealt = sorted(k for r in page.queue_rows for k in r.plates)
    assert dealt == list(range(1, 8))
    for row in page.queue_rows:
        assert sum(r.times for r in row.runs) == len(row.plates)
        alone = ask(
            floor,
            *((str(r.program_id), str(r.times)) for r in row.runs),
            torches=(str(row.torch.id),),
        )
        assert alone.view is not None
        assert len(alone.view.outlook.changes) == len(row.changes)


def test_a_torch_that_can_take_none_says_so(floor: Floor) -> None:
    one = bring(floor)
    fittings.remove_part(floor.shop, floor.tech, floor.other, "electrode")
    page = ask(floor, (one, "2"), torches=("1", "2"))
    assert page.queue is not None
    assert [t.id for t, _ in page.queue.left_out] == [2]
    fittings.remove_part(floor.shop, floor.tech, floor.torch, "electrode")
    page = ask(floor, (one, "2"), torches=("1", "2"))
    assert page.lack == "answer"
    assert "no electrode is fitted" in page.problems[-1]


def test_assumed_settings_are_marked_until_the_shop_sets_them(floor: Floor) -> None:
    one = bring(floor)
    page = ask(floor, (one, "1"))
    assert all(s.assumed for s in page.settings)
    save_settings(floor.shop, floor.lead, 1, {"set_value": "50"}, "price list")
    page = ask(floor, (one, "1"))
    assert [s.field.name for s in page.settings if not s.assumed] == ["set_value"]


def test_the_counts_are_kept_under_each_stations_settings(floor: Floor) -> None:
    one = bring(floor)
    other = setup.add_station(floor.shop, floor.lead, name="Table 2")
    save_settings(floor.shop, floor.lead, other, {"accel_mm_s2": "500"}, "measured")
    torch = setup.add_torch(
        floor.shop,
        floor.lead,
        name="Torch C",
        station_id=other,
        process_id=1,
        gauge_id=1,
        due_starts=None,
    )
    first = ask(floor, (one, "1"))
    second = ask(floor, (one, "1"), torches=(str(torch),))
    assert first.lines[0].count is not None
    assert second.lines[0].count is not None
    assert second.lines[0].count.arc_minutes > first.lines[0].count.arc_minutes


def test_offers_are_found_by_name(floor: Floor) -> None:
    bring(floor)
    bring(floor, "flange%.nc", 5)
    page = ahead_page(floor.shop, floor.tech, ["1"], [], find="%")
    assert [o.name for o in page.offers] == ["flange%.nc"]
    assert not ahead_page(floor.shop, floor.tech, ["1"], [], find="none").offers
    assert page.programs_in_use
