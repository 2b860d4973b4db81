"""The programs of the book: listed as a station counts them, withdrawn and brought back."""

from __future__ import annotations

import io
import threading
import zipfile
from pathlib import Path

import pytest
from ezdxf.filemanagement import new as new_drawing
from sqlalchemy import func, select

from book_fixture import empty_url
from kit import KINDS, Floor
from pitwise.records.tables import AuditRow
from pitwise.records.wear_tables import ProgramCountRow
from pitwise.services import imports, program_counts, programs, setup
from pitwise.services.book import backup_book, export_book, restore_book
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.people import SYSTEM
from pitwise.services.permissions import Actor
from pitwise.services.programs import bring_back, program_detail, withdraw
from pitwise.services.shopfloor import open_book
from pitwise.services.station_settings import save_settings

TWO = b"G21\nM3\nG4 P1\nG1 X100 F6000\nM5\nM64 P1\nG1 X400\nM65 P1\n"


def bring(floor: Floor, name: str = "two.nc", data: bytes = TWO) -> int:
    done = imports.import_file(floor.shop, floor.tech, name, data, way="upload")
    return done.program_ids[0]


def drawing() -> bytes:
    made = new_drawing(units=4)
    space = made.modelspace()
    space.add_line((0, 0), (200, 0), dxfattribs={"layer": "CUT"})
    space.add_circle((50, 50), 10, dxfattribs={"layer": "HOLES"})
    out = io.StringIO()
    made.write(out)
    return out.getvalue().encode()


def test_each_station_counts_by_its_own_settings(floor: Floor) -> None:
    ident = bring(floor)
    other = setup.add_station(floor.shop, floor.lead, name="Table 2")
    save_settings(
        floor.shop,
        floor.lead,
        other,
        {"on_codes": "M64 P1", "off_codes": "M65 P1"},
        "lit by an output",
    )
    one = programs.programs(floor.shop, floor.tech)
    two = programs.programs(floor.shop, floor.tech, station_id=other)
    assert one.station is not None
    assert one.station.name == "Table 1"
    assert one.lines[0].count is not None
    assert two.lines[0].count is not None
    assert one.lines[0].count.cut_length_mm == pytest.approx(100)
    assert two.lines[0].count.cut_length_mm == pytest.approx(300)
    assert "on_codes" in one.assumed
    assert "on_codes" not in two.assumed
    detail = program_detail(floor.shop, floor.tech, ident, station_id=other)
    assert detail.count is not None
    assert [c.length_mm for c in detail.count.cuts] == [pytest.approx(300)]
    with pytest.raises(NotFoundError, match="no station 77"):
        programs.programs(floor.shop, floor.tech, station_id=77)


def test_a_count_is_made_once_for_each_way_of_reading(
    floor: Floor, monkeypatch: pytest.MonkeyPatch
) -> None:
    bring(floor)
    made = 0
    right = program_counts.count_data

    def counted(*args: object) -> object:
        nonlocal made
        made += 1
        return right(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(programs, "count_data", counted)
    programs.programs(floor.shop, floor.tech)
    assert made == 0
    save_settings(floor.shop, floor.lead, 1, {"set_value": "99"}, "asked stores")
    programs.programs(floor.shop, floor.tech)
    assert made == 0
    save_settings(floor.shop, floor.lead, 1, {"accel_mm_s2": "500"}, "measured")
    for _ in range(2):
        programs.programs(floor.shop, floor.tech)
    assert made == 1
    with floor.shop.database.read() as session:
        assert session.scalar(select(func.count()).select_from(ProgramCountRow)) == 2


def test_many_look_at_once_while_counts_are_made(floor: Floor) -> None:
    for number in range(6):
        bring(floor, f"p{number}.nc", TWO + f"({number})\n".encode())
    save_settings(floor.shop, floor.lead, 1, {"accel_mm_s2": "500"}, "measured")
    looks: list[bool] = []

    def look() -> None:
        view = programs.programs(floor.shop, floor.tech)
        looks.append(all(line.count is not None for line in view.lines))

    threads = [threading.Thread(target=look) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert looks == [True] * 4


def test_withdrawn_and_brought_back_each_once(floor: Floor) -> None:
    ident = bring(floor)
    for _ in range(2):
        withdraw(floor.shop, floor.tech, ident)
    view = programs.programs(floor.shop, floor.tech)
    assert (view.lines, view.total, view.withdrawn_total) == ([], 0, 1)
    gone = programs.programs(floor.shop, floor.tech, withdrawn=True).lines
    assert [(x.id, x.withdrawn_by) for x in gone] == [(ident, "Tom Reed")]
    again = imports.import_file(floor.shop, floor.tech, "x.nc", TWO, way="upload")
    assert "bring it back on the Programs page" in again.message
    for _ in range(2):
        bring_back(floor.shop, floor.tech, ident)
    assert [x.id for x in programs.programs(floor.shop, floor.tech).lines] == [ident]
    with floor.shop.database.read() as session:
        told = session.scalars(
            select(AuditRow.action).where(AuditRow.subject == f"program {ident}")
        ).all()
    assert told == ["program-withdrawn", "program-brought-back"]
    for step in (withdraw, bring_back):
        with pytest.raises(NotFoundError):
            step(floor.shop, floor.tech, 99)


def test_pages_and_finding(lite: Floor) -> None:
    plates = "name,starts,arc_minutes\n" + "".join(f"Plate {n:03d},1,1\n" for n in range(60))
    bring(lite, "many.csv", plates.encode())
    bring(lite, "100%_ready.nc")
    first = programs.programs(lite.shop, lite.tech)
    assert (len(first.lines), first.total) == (programs.PAGE_SIZE, 61)
    assert first.lines[0].name == "100%_ready.nc"
    assert len(programs.programs(lite.shop, lite.tech, page=2).lines) == 11
    found = programs.programs(lite.shop, lite.tech, find="late 05")
    assert len(found.lines) == 10
    assert [x.name for x in programs.programs(lite.shop, lite.tech, find="%_").lines] == [
        "100%_ready.nc"
    ]


def test_drawings_are_counted_by_the_layers_that_are_cut(lite: Floor) -> None:
    ident = bring(lite, "plate.dxf", drawing())
    whole = program_detail(lite.shop, lite.tech, ident).count
    assert whole is not None
    assert whole.starts == 2
    save_settings(
        lite.shop,
        lite.lead,
        1,
        {"dxf_layers": "cut", "dxf_feed_mm_min": "1000", "default_pierce_seconds": "0"},
        "as drawn",
    )
    part = program_detail(lite.shop, lite.tech, ident).count
    assert part is not None
    assert part.starts == 1
    assert part.arc_minutes == pytest.approx(0.2)
    own = imports.import_file(
        lite.shop,
        lite.tech,
        "own.dxf",
        drawing() + b"\n",
        way="upload",
        options={"layers": ["HOLES"]},
    )
    count = program_detail(lite.shop, lite.tech, own.program_ids[0]).count
    assert count is not None
    assert count.cut_length_mm == pytest.approx(62.83, abs=0.01)


def test_a_drawing_is_counted_otherwise_than_its_station_has_it(floor: Floor) -> None:
    ident = bring(floor, "plate.dxf", drawing())
    for _ in range(2):
        programs.set_drawing(
            floor.shop, floor.tech, ident, layers="holes", feed_mm_min="500", pierce_seconds="0"
        )
    detail = program_detail(floor.shop, floor.tech, ident)
    assert {"CUT", "HOLES"} <= set(detail.layers)
    assert detail.count is not None
    assert detail.count.starts == 1
    assert detail.count.arc_minutes == pytest.approx(62.83 / 500, rel=1e-3)
    with floor.shop.database.read() as session:
        told = session.scalars(select(AuditRow).where(AuditRow.action == "drawing-set")).all()
    assert len(told) == 1
    programs.set_drawing(floor.shop, floor.tech, ident)
    assert program_detail(floor.shop, floor.tech, ident).options == {}
    with pytest.raises(ServiceError, match="out of range"):
        programs.set_drawing(floor.shop, floor.tech, ident, feed_mm_min="0")
    with pytest.raises(ServiceError, match="is no drawing"):
        programs.set_drawing(floor.shop, floor.tech, bring(floor), layers="CUT")


def test_what_these_settings_can_not_count_is_told_not_hidden(
    lite: Floor, monkeypatch: pytest.MonkeyPatch
) -> None:
    bring(lite)
    save_settings(lite.shop, lite.lead, 1, {"accel_mm_s2": "400"}, "measured")

    def fails(*_args: object) -> object:
        raise ServiceError("two.nc, line 3", "is bad", "mend it")

    monkeypatch.setattr(programs, "count_data", fails)
    (line,) = programs.programs(lite.shop, lite.tech).lines
    assert line.count is None
    assert line.problem == "two.nc, line 3: is bad. Mend: mend it."
    assert program_detail(lite.shop, lite.tech, line.id).count is None


@pytest.mark.parametrize("target", KINDS)
def test_a_restored_book_has_programs_and_counts_them_again(
    floor: Floor, tmp_path: Path, target: str
) -> None:
    ident = bring(floor, "Träger.nc")
    bring(floor, "big.nc", TWO * 40_000)
    use = f"torch,at,starts,arc_minutes\nTorch A,{floor.clock().isoformat()},5,1.5\n"
    imports.import_file(floor.shop, floor.tech, "use.csv", use.encode(), way="upload")
    save_settings(floor.shop, floor.lead, 1, {"set_value": "70"}, "asked stores")
    report = export_book(floor.shop, SYSTEM, tmp_path / "book.zip")
    assert report.rows["import_file"] == 3
    assert report.rows["use_report"] == report.rows["station_setting"] == 1
    assert "program_count" not in report.rows
    with zipfile.ZipFile(tmp_path / "book.zip") as archive:
        assert b"content" not in archive.read("csv/import_file.csv")
    (tmp_path / "new").mkdir()
    with empty_url(target, tmp_path / "new") as url:
        restored = restore_book(url, tmp_path / "book.zip")
        assert restored.verification.holds
        shop = open_book(url)
        try:
            actor = Actor(None, "Ada", "technician")
            view = programs.programs(shop, actor)
            assert [x.count.starts for x in view.lines if x.count] == [40_000, 1]
            assert program_detail(shop, actor, ident).line.name == "Träger.nc"
            again = export_book(shop, SYSTEM, tmp_path / "again.zip")
            assert again.rows == report.rows
            with (
                zipfile.ZipFile(tmp_path / "book.zip") as one,
                zipfile.ZipFile(tmp_path / "again.zip") as two,
            ):
                for name in one.namelist():
                    assert name == "manifest.json" or one.read(name) == two.read(name), name
            more = imports.import_file(shop, actor, "next.nc", TWO + b"(next)\n", way="upload")
            assert more.outcome == "new"
        finally:
            shop.close()


def test_a_sqlite_copy_keeps_programs_too(lite: Floor, tmp_path: Path) -> None:
    bring(lite)
    backup_book(lite.shop, SYSTEM, tmp_path / "copy.db")
    url = f"sqlite:///{tmp_path / 'restored.db'}"
    assert restore_book(url, tmp_path / "copy.db").verification.holds
    shop = open_book(url)
    try:
        (line,) = programs.programs(shop, lite.tech).lines
        assert line.count is not None
    finally:
        shop.close()
