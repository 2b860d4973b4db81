"""The page of lives: what is chosen, told, counted and left out."""

from __future__ import annotations

import csv
import io
import re

import pytest

from kit import Floor
from life_kit import lose, lose_all
from pitwise.services import case_closing, cases, drafts, fittings, setup
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.fittings import fit_part
from pitwise.services.life_page import Asked, LifePage, life_page, lives_csv, process_number
from pitwise.services.life_said import compared_words, few_words, headlines, notes
from pitwise.wear.life.tell import TooFewToTell

WORN, GOOD = "1.60 mm", "0.40 mm"


def shown(floor: Floor, **asked: object) -> LifePage:
    return life_page(floor.shop, floor.tech, Asked(**asked))  # type: ignore[arg-type]  # as a page asks


def run(floor: Floor, uses: list[int], *, torch: int | None = None) -> None:
    """Look at a torch's electrodes half way and at their end, each worn out there."""
    torch = torch or floor.torch
    floor.clock.forward(days=1)
    floor.inspect(GOOD, torch=torch, starts="0", minutes="0")
    total = 0
    for use in uses:
        for share, pit in ((0.5, GOOD), (1.0, WORN)):
            at = total + round(share * use)
            floor.inspect(pit, torch=torch, starts=str(at), minutes=str(at / 2))
        total += use


def test_a_book_without_use_says_too_few_and_draws_nothing(lite: Floor) -> None:
    view = shown(lite)
    assert [r.part for r in view.rows][:3] == ["shield-cap", "shield", "retaining-cap"]
    assert view.part == "electrode"
    (group,) = view.groups
    assert isinstance(group.told, TooFewToTell)
    assert group.steps == ()
    assert view.untold == 2
    assert headlines(view)[0].startswith("Too few electrodes to tell: ")
    assert notes(view)[0] == "None has ended yet; 2 are in a torch."
    assert lives_csv(view) == "lower,upper,count,group\n"


def test_worn_electrodes_and_the_nozzles_that_went_with_them(lite: Floor) -> None:
    run(lite, [300, 620, 200, 500])
    view = shown(lite)
    assert (view.part, view.end, view.by) == ("electrode", "worn", "process")
    assert (view.counts.worn, view.counts.lost, view.counts.running) == (4, 0, 2)
    (group,) = view.groups
    assert group.half is not None
    middle, spread = group.half
    assert spread.low < middle < spread.high
    assert 150 < middle < 620
    assert "half of the electrodes are found worn or damaged by" in headlines(view)[0].lower()
    assert view.compared is None
    assert compared_words(view) == ""
    assert [(t.words, t.count, t.end) for t in view.reasons] == [("pit over its limit", 4, "worn")]
    assert [p.starts for p, _ in view.newest] == [500, 200, 620, 300]
    nozzle = shown(lite, part="nozzle")
    assert nozzle.counts.changed == 4
    assert nozzle.reasons[0].words == "went with the electrode"
    assert isinstance(nozzle.groups[0].told, TooFewToTell)


def test_the_csv_holds_every_life_with_use(lite: Floor) -> None:
    run(lite, [300, 420])
    rows = list(csv.reader(io.StringIO(lives_csv(shown(lite, by="torch")))))
    assert rows == [
        ["lower", "upper", "count", "group"],
        ["150", "300", "1", "Torch A"],
        ["210", "420", "1", "Torch A"],
    ]
    lost = list(csv.reader(io.StringIO(lives_csv(shown(lite, by="torch", end="lost")))))
    assert lost[1:] == [["300", "", "1", "Torch A"], ["420", "", "1", "Torch A"]]
    minutes = list(csv.reader(io.StringIO(lives_csv(shown(lite, measure="arc-minutes")))))
    assert minutes[1] == ["75", "150", "1", "300 A mild steel"]


def test_a_lot_name_is_no_formula_for_programs_for_tables(lite: Floor) -> None:
    with lite.shop.database.read() as session:
        kind = fittings.fitted(session, lite.torch)["electrode"].item.part_type_id
    fit_part(lite.shop, lite.tech, lite.torch, part_type_id=kind, lot="=1+1")
    lite.inspect(GOOD, starts="390", minutes="195")
    lite.inspect(GOOD, starts="400", minutes="200")
    assert "'=1+1" in lives_csv(shown(lite, by="lot"))


def test_one_group_against_all_others(lite: Floor) -> None:
    lose_all(lite, [700, 820, 950])
    lose_all(lite, [200, 260, 230], torch=lite.other)
    every = shown(lite, by="torch")
    assert [g.name for g in every.groups] == ["Torch A", "Torch B"]
    assert every.end == "lost"
    said = compared_words(every)
    assert re.match(
        # All three outlive all three, as in one dealing of ten.
        r"With so few lives it may still be luck. "
        r"Parts of Torch A last \d\.\d times as long as those of Torch B \(",
        said,
    )
    assert "This leans on few, 6 such ends in 2 groups" in said
    assert few_words(every) in said
    one = shown(lite, by="torch", one="Torch B")
    assert [g.name for g in one.groups] == ["Torch B", "all others"]
    said = compared_words(one)
    assert re.match(
        r".* luck. Parts of Torch B last 0\.\d+ times as long as all others \(0\.", said
    )
    assert any("picked because it looks bad" in text for text in notes(one))
    with pytest.raises(NotFoundError, match="no life is in 'Torch C'"):
        shown(lite, by="torch", one="Torch C")


def test_first_sets_are_counted_or_left_out_and_said(lite: Floor) -> None:
    lose_all(lite, [300, 420])
    assert shown(lite).first == 2
    left = shown(lite, first_sets=False)
    assert (left.first, left.counts.lost, left.counts.running) == (2, 1, 1)


def test_lives_of_several_processes_are_not_taken_together_unasked(lite: Floor) -> None:
    lose_all(lite, [300, 420])
    other = setup.add_process(
        lite.shop,
        lite.lead,
        name="130 A stainless",
        amps=130,
        material="stainless steel",
        plasma_gas="nitrogen",
        shield_gas="nitrogen",
    )
    setup.change_torch(
        lite.shop, lite.lead, lite.torch, process_id=other, gauge_id=1, due_starts=400
    )
    lose(lite, 900, minutes=450)
    by_process = shown(lite)
    assert [g.name for g in by_process.groups] == ["300 A mild steel", "130 A stainless"]
    usual = shown(lite, by="lot")
    assert usual.process == "300 A mild steel"
    assert not usual.processes_mixed
    every = shown(lite, by="lot", process_id=0)
    assert (every.process, every.processes_mixed) == ("", True)
    assert any("several processes are taken together" in text for text in notes(every))
    one = shown(lite, by="lot", process_id=other)
    assert one.counts.lost == 1
    with pytest.raises(NotFoundError, match="no such part has run on it"):
        shown(lite, process_id=99)


def test_before_and_after_a_cure(lite: Floor) -> None:
    assert shown(lite, by="cure").groups == ()
    lose_all(lite, [120, 130])
    case = cases.open_case(
        lite.shop, lite.tech, lite.torch, key=lite.key(), complaint="Pits too deep too soon"
    )
    case_closing.close_case(
        lite.shop,
        lite.tech,
        case,
        key=lite.key(),
        causes=["gas_low"],
        certainty="verified",
        remedies=["pressure-restore"],
        note="",
        done_by="Tom Reed",
    )
    lite.clock.forward(days=1)
    lose(lite, 300, minutes=150)
    lose(lite, 700, minutes=350)
    view = shown(lite, by="cure")
    assert view.cure is not None
    assert view.cure.case_id == case
    assert view.cure.words
    assert [(g.name, g.counts.lost, g.counts.running) for g in view.groups] == [
        ("before", 2, 0),
        ("after", 1, 1),
    ]
    assert any("would have come without the cure" in text for text in notes(view))
    with pytest.raises(NotFoundError, match="no closed case 99"):
        shown(lite, by="cure", case_id=99)


def test_words_that_are_not_known_are_refused_by_name(lite: Floor) -> None:
    for asked, place in (
        ({"part": "cap"}, "part"),
        ({"end": "broken"}, "end"),
        ({"measure": "hours"}, "measure"),
        ({"by": "colour"}, "compare by"),
    ):
        with pytest.raises(ServiceError, match=f"^{place}: .* is not known. Mend: choose one of"):
            shown(lite, **asked)
    assert [process_number(x) for x in ("", "all", "3")] == [None, 0, 3]
    for text in ("0", "-1", "x", "99999999999"):
        with pytest.raises(ServiceError, match="process"):
            process_number(text)


def test_an_open_inspection_changes_nothing(lite: Floor) -> None:
    lose_all(lite, [300])
    before = lives_csv(shown(lite))
    number = lite.draft()
    drafts.add_reading(lite.shop, lite.tech, number, WORN, key=lite.key())
    assert lives_csv(shown(lite)) == before
