"""Files into the book: whole or not at all, once, and refused by line."""

from __future__ import annotations

import gzip
import io
import random
import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from ezdxf.filemanagement import new as new_drawing
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import event, func, select

from kit import Floor
from pitwise.job.plates import MOST_PLATES
from pitwise.records.tables import AuditRow, Base
from pitwise.records.wear_tables import ImportFile, Program, ProgramCountRow, UseReport
from pitwise.services import book, file_text, imports, people, program_counts, programs, use_files
from pitwise.services.errors import BookError, NotFoundError, NotYetError, ServiceError
from pitwise.services.file_text import clean_name
from pitwise.services.imports import ImportOutcome, import_file, kind_of
from pitwise.services.station_settings import StationSettings

GOOD = b"G21\nG90\nG0 X10 Y10\nM3\nG4 P0.5\nG1 X110 F1000\nM5\nM30\n"
BODY = GOOD.removesuffix(b"M30\n")
PLATES = b"name,starts,arc_minutes\nP/1,10,4.5\nP2,20,8\n"


def bring(floor: Floor, name: str, data: bytes) -> ImportOutcome:
    return import_file(floor.shop, floor.tech, name, data, way="upload")


def rows(floor: Floor, table: type[Base]) -> int:
    with floor.shop.database.read() as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_a_program_is_counted_and_kept_as_it_came(floor: Floor) -> None:
    done = bring(floor, r"C:\jobs\Träger.nc", GOOD)
    assert (done.outcome, done.kind, done.name) == ("new", "program", "Träger.nc")
    assert done.message.startswith("Imported: 1 program, 1 start, ")
    with floor.shop.database.read() as session:
        row = session.get_one(ImportFile, done.file_id)
        assert gzip.decompress(row.content) == program_counts.content_of(row) == GOOD
        assert (row.size, row.way, row.imported_by) == (len(GOOD), "upload", floor.tech.person_id)
        count = session.scalars(select(ProgramCountRow)).one()
        assert count.starts == 1
        assert count.cut_length_mm == pytest.approx(100)
        told = session.scalars(select(AuditRow).where(AuditRow.action == "file-imported")).one()
        assert told.subject == f"import {done.file_id}"
    assert book.verify_book(floor.shop, people.SYSTEM).faults == ()


def test_a_list_of_plates_is_a_program_for_each(floor: Floor) -> None:
    done = bring(floor, "week.csv", PLATES)
    assert (done.kind, len(done.program_ids)) == ("plates", 2)
    with floor.shop.database.read() as session:
        names = session.scalars(select(Program.name).order_by(Program.ordinal)).all()
    assert names == ["P/1", "P2"]


def test_the_same_bytes_twice_count_once_whatever_the_name(floor: Floor) -> None:
    first, second = bring(floor, "a.nc", GOOD), bring(floor, "b.nc", GOOD)
    assert (first.outcome, second.outcome) == ("new", "already")
    assert second.program_ids == first.program_ids
    assert "as 'a.nc'" in second.message
    assert (rows(floor, ImportFile), rows(floor, Program)) == (1, 1)


def test_two_tablets_at_once_count_once(floor: Floor) -> None:
    start, outcomes = threading.Barrier(4), []

    def one(number: int) -> None:
        start.wait()
        outcomes.append(bring(floor, f"tablet-{number}.nc", GOOD).outcome)

    threads = [threading.Thread(target=one, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["already", "already", "already", "new"]
    assert (rows(floor, ImportFile), rows(floor, Program)) == (1, 1)


@pytest.mark.parametrize(
    "data",
    [
        GOOD.replace(b"\n", b"\r\n"),
        GOOD.replace(b"\n", b"\r"),
        b"\xef\xbb\xbf" + GOOD,
        GOOD.decode().encode("utf-16"),
        GOOD.decode().encode("utf-16-le"),
        GOOD.decode().encode("utf-16-be"),
        GOOD + b"(Au\xdfenkontur)\n",
        "(Außen 輪郭 ✂)\n".encode() + GOOD,
    ],
    ids=["crlf", "cr", "utf8-bom", "utf16-bom", "utf16-le", "utf16-be", "latin1", "utf8"],
)
def test_a_program_reads_in_every_common_encoding(lite: Floor, data: bytes) -> None:
    done = bring(lite, "x.nc", data)
    assert done.message.startswith("Imported: 1 program, 1 start, ")


@pytest.mark.parametrize(
    ("name", "data", "place", "words"),
    [
        ("a.nc", b"", "a.nc", "is empty"),
        ("a.nc", b"\n  \r\n%\n\x1a", "a.nc", "is empty"),
        ("a.nc", b"\xef\xbb\xbf", "a.nc", "is empty"),
        ("a.nc", BODY + b"G1 X[1\n", "a.nc, line 8", "."),
        ("a.nc", BODY + b"Hello, world\n", "a.nc, line 8", "."),
        ("a.png", b"\x89PNG\r\n\x1a\n\x00\x00", "a.png, line 3", "NUL"),
        ("a.nc", "M3\n".encode("utf-16") + b"x", "a.nc", "breaks off at byte"),
        ("a.csv", b"name,count\nx,1\n", "a.csv, line 1", "columns are not known"),
        ("a.csv", b"name,starts,arc_minutes\n", "a.csv", "."),
        ("a.csv", b"name,starts,arc_minutes\nP1,x,2\n", "a.csv, line 2", "."),
        ("a.csv", b"torch,at,starts,arc_minutes\n", "a.csv", "no line under"),
        ("a.dxf", b"0\nSECTION\n2\nENTITIES\n0\nLI", "a.dxf", "."),
    ],
)
def test_what_is_malformed_is_refused_whole_with_line_and_mend(
    lite: Floor, name: str, data: bytes, place: str, words: str
) -> None:
    with pytest.raises(ServiceError, match=words) as caught:
        bring(lite, name, data)
    assert caught.value.place.startswith(place)
    assert caught.value.mend
    assert rows(lite, ImportFile) == rows(lite, Program) == rows(lite, UseReport) == 0


def test_a_file_too_large_is_refused_at_once(lite: Floor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(imports, "LARGEST_FILE", 1 << 20)
    with pytest.raises(ServiceError, match="larger than 1 MB"):
        bring(lite, "a.nc", b"M3\n" * 400_000)
    monkeypatch.setattr(imports, "_LARGEST_PACKED", 1000)
    noise = "".join(random.Random(1).choices("abcdefgh0123456789", k=8000))
    with pytest.raises(ServiceError, match="not the text of a program"):
        bring(
            lite, "a.nc", GOOD + "".join(f"({noise[i : i + 80]})\n" for i in range(4000)).encode()
        )
    assert rows(lite, ImportFile) == 0


def test_a_large_program_goes_in(lite: Floor) -> None:
    cut = "".join(f"G0 X{n}\nM3\nG1 Y{n % 50 + 1} F1000\nM5\n" for n in range(20_000))
    done = bring(lite, "large.nc", f"G21\n{cut}M30\n".encode())
    assert ", 20000 starts, " in done.message


def breaks_note(floor: Floor, breaks: bool) -> Callable[..., None]:
    right = floor.shop.note

    def note(*args: Any, **more: Any) -> None:
        right(*args, **more)
        if breaks:
            raise TypeError("the power went after the last row")

    return note


@pytest.mark.parametrize("second", [2, 3])
def test_what_breaks_midway_leaves_nothing(
    floor: Floor, monkeypatch: pytest.MonkeyPatch, second: int
) -> None:
    calls = 0
    right = imports._insert

    def breaks(*args: Any) -> None:
        nonlocal calls
        calls += 1
        if calls == second:
            raise TypeError("the power went")
        right(*args)

    monkeypatch.setattr(imports, "_insert", breaks)
    monkeypatch.setattr(floor.shop, "note", breaks_note(floor, second == 3))
    with pytest.raises(BookError, match=r"week.csv could not be kept \(TypeError\)"):
        bring(floor, "week.csv", PLATES)
    assert rows(floor, ImportFile) == rows(floor, Program) == rows(floor, ProgramCountRow) == 0
    monkeypatch.undo()
    assert bring(floor, "week.csv", PLATES).outcome == "new"


def test_a_program_without_a_start_says_where_to_look(lite: Floor) -> None:
    done = bring(lite, "a.nc", b"G21\nM64 P1\nG1 X100 F1000\nM65 P1\n")
    assert "check which words light the torch" in done.message


def test_options_are_for_drawings_and_checked(lite: Floor) -> None:
    for options, words in (
        ({"layer": ["CUT"]}, "not known"),
        ({"feed_mm_min": float("nan")}, "out of range"),
        ({"feed_mm_min": 0.0}, "out of range"),
        ({"pierce_seconds": -1.0}, "out of range"),
    ):
        with pytest.raises(ServiceError, match=words):
            imports._checked_options(options)
    assert imports._checked_options({"layers": ("A",), "pierce_seconds": 0}) == {
        "layers": ["A"],
        "pierce_seconds": 0.0,
    }


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("a.nc", "a.nc"),
        ("../../etc/passwd", "passwd"),
        ("C:\\jobs\\a b.nc", "a b.nc"),
        ("a\x00\x1b[31m\n.nc", "a[31m.nc"),
        ("\u202egpj.nc", "gpj.nc"),
        ("", "unnamed"),
        ("...", "unnamed"),
        ("x/", "unnamed"),
        ("n" * 300 + ".nc", "n" * 117 + ".nc"),
        ("Träger 日本.nc", "Träger 日本.nc"),
    ],
)
def test_names_lose_folders_and_control_characters(given: str, kept: str) -> None:
    assert clean_name(given) == kept


@given(st.text(max_size=300))
def test_a_clean_name_is_clean(name: str) -> None:
    kept = clean_name(name)
    assert 0 < len(kept) <= 120
    assert clean_name(kept) == kept
    assert "/" not in kept


def test_kinds_are_told_by_content_first() -> None:
    assert kind_of("a.txt", "Torch;At;Starts;Arc_minutes\n") == "use"
    assert kind_of("a.txt", "arc_minutes\tname\tstarts\n") == "plates"
    assert kind_of("a.nc", "999\nmade here\n  0\nSECTION\n") == "dxf"
    assert kind_of("a.DXF", "x") == "dxf"
    assert kind_of("noending", "G21\n") == "program"


@given(st.binary(max_size=400), st.sampled_from(["a.nc", "a.csv", "a.dxf", "a"]))
def test_any_bytes_are_read_or_refused_with_a_mend(data: bytes, name: str) -> None:
    refused = None
    try:
        imports._read(name, data, None, StationSettings(), None)
    except ServiceError as error:
        refused = error
    assert refused is None or (refused.place and refused.mend)


def test_a_changed_file_shows_in_verify(lite: Floor) -> None:
    from sqlalchemy import text

    done = bring(lite, "a.nc", GOOD)
    for change in (
        "bytes = bytes + 1",
        "bytes = -5",
        "content = x'00'",
        "content = substr(content, 1, 20)",
        f"sha256 = '{'0' * 64}'",
    ):
        with lite.shop.database.write() as session:
            session.execute(text("DROP TRIGGER IF EXISTS import_file_no_update"))
            before = session.get_one(ImportFile, done.file_id)
            kept = (before.size, before.content, before.sha256)
            session.execute(text(f"UPDATE import_file SET {change}"))
        faults = book.verify_book(lite.shop, people.SYSTEM).faults
        assert [f.row for f in faults if f.table == "import_file"] == [
            "id 1",
            "trigger import_file_no_update",
        ] or sorted(f.row for f in faults) == ["id 1", "trigger import_file_no_update"]
        with lite.shop.database.write() as session:
            session.execute(
                text("UPDATE import_file SET bytes = :b, content = :c, sha256 = :s"),
                {"b": kept[0], "c": kept[1], "s": kept[2]},
            )


def test_a_count_kept_by_an_older_reader_is_made_again(
    floor: Floor, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = bring(floor, "a.nc", GOOD)
    base = StationSettings()
    with floor.shop.database.write() as session:
        row = session.scalars(select(ProgramCountRow)).one()
        row.starts, row.reader_version = 77, "0"
    with floor.shop.database.write() as session:
        assert program_counts.count_of(session, done.program_ids[0], base, keep=True).starts == 1
    with floor.shop.database.read() as session:
        assert session.scalars(select(ProgramCountRow)).one().starts == 1
        other = replace(base, accel_mm_s2=500.0)
        program_counts.count_of(session, done.program_ids[0], other)
        money = replace(base, set_value=5.0)
        assert program_counts.settings_sha256(
            "program", {}, money
        ) == program_counts.settings_sha256("program", {}, base)
        with pytest.raises(ServiceError, match="no program 99"):
            program_counts.count_of(session, 99, base)
    assert rows(floor, ProgramCountRow) == 1


@pytest.mark.parametrize("kind", ["program", "dxf", "plates", "use"])
def test_a_file_that_trips_its_reader_is_refused_and_logged(
    lite: Floor, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, kind: str
) -> None:
    def trips(*_args: object, **_more: object) -> None:
        raise MemoryError("out\x1b[31m of room")

    for module, name in (
        (program_counts, "read_program"),
        (program_counts, "read_dxf"),
        (program_counts, "read_plates"),
        (use_files, "parse"),
    ):
        monkeypatch.setattr(module, name, trips)
    data = {
        "program": GOOD,
        "dxf": drawing("CUT"),
        "plates": PLATES,
        "use": b"torch,at,starts,arc_minutes\nTorch A,2031-03-03T05:00Z,5,1\n",
    }[kind]
    with pytest.raises(ServiceError, match="could not be read: MemoryError") as caught:
        bring(lite, f"{kind}.csv" if kind in ("plates", "use") else kind, data)
    assert caught.value.place.startswith(kind)
    assert "\x1b" not in str(caught.value)
    assert caught.value.mend
    (told,) = [r for r in caplog.records if r.exc_info]
    assert "out\x1b[31m of room" in str(told.exc_info and told.exc_info[1])
    assert rows(lite, ImportFile) == 0


def test_a_program_that_trips_the_reader_later_is_told_on_the_list(
    lite: Floor, monkeypatch: pytest.MonkeyPatch
) -> None:
    bring(lite, "a.nc", GOOD)

    def trips(*_args: object, **_more: object) -> None:
        raise RecursionError

    monkeypatch.setattr(program_counts, "READER_VERSION", "next")
    monkeypatch.setattr(program_counts, "read_program", trips)
    (line,) = programs.programs(lite.shop, lite.tech).lines
    assert line.count is None
    assert "a.nc: could not be read: RecursionError" in line.problem


def test_a_long_list_goes_in_while_others_write(lite: Floor) -> None:
    lines = "".join(f"P{n},3,2\n" for n in range(MOST_PLATES))
    data = f"name,starts,arc_minutes\n{lines}".encode()
    statements = 0

    def count(*_: object) -> None:
        nonlocal statements
        statements += 1

    event.listen(lite.shop.database.engine, "before_cursor_execute", count)
    done = bring(lite, "year.csv", data)
    event.remove(lite.shop.database.engine, "before_cursor_execute", count)
    assert len(done.program_ids) == MOST_PLATES
    # A statement for each plate would keep others from writing for half a minute.
    assert statements < 200
    with lite.shop.database.read() as session:
        found = session.execute(
            select(Program.name, ProgramCountRow.starts, ProgramCountRow.arc_minutes)
            .join(ProgramCountRow, ProgramCountRow.program_id == Program.id)
            .order_by(Program.ordinal)
        ).all()
    assert found == [(f"P{n}", 3, 2.0) for n in range(MOST_PLATES)]
    with pytest.raises(ServiceError, match="more than 20,000 plates"):
        bring(lite, "more.csv", data + b"Q,1,1\n")


def test_plates_keep_their_order_on_both_databases(floor: Floor) -> None:
    lines = "".join(f"P{n},{n},{n}\n" for n in range(2500))
    done = bring(floor, "w.csv", f"name,starts,arc_minutes\n{lines}".encode())
    with floor.shop.database.read() as session:
        for n in (0, 999, 1000, 2499):
            assert session.get_one(Program, done.program_ids[n]).name == f"P{n}"
            count = program_counts.count_of(session, done.program_ids[n], StationSettings())
            assert (count.starts, count.arc_minutes) == (n, n)


def test_an_unknown_station_is_refused(floor: Floor) -> None:
    for data in (GOOD, GOOD):
        with pytest.raises(NotFoundError, match="there is no station 99"):
            import_file(floor.shop, floor.tech, "a.nc", data, way="upload", station_id=99)
    assert rows(floor, ImportFile) == 0


def test_a_moment_to_come_may_be_right_later(lite: Floor) -> None:
    data = b"torch,at,starts,arc_minutes\nTorch A,2031-03-03T09:00Z,5,1\n"
    with pytest.raises(NotYetError, match="still to come"):
        bring(lite, "use.csv", data)
    lite.clock.forward(hours=3)
    assert bring(lite, "use.csv", data).reports == 1


def drawing(*layers: str) -> bytes:
    made = new_drawing()
    for n, layer in enumerate(layers):
        made.layers.add(layer)
        made.modelspace().add_circle((100 * n, 0), 10, dxfattribs={"layer": layer})
    text = io.StringIO()
    made.write(text)
    return text.getvalue().encode()


def test_a_stations_layers_are_those_that_the_drawing_has() -> None:
    station = StationSettings(dxf_layers=("CUT", "Inner"))
    both = program_counts.count_data("a.dxf", "dxf", drawing("cut", "INNER", "X"), {}, station)
    assert both.starts == 2
    assert [w.code for w in both.warnings] == ["drawing"]
    one = program_counts.count_data("a.dxf", "dxf", drawing("inner", "X"), {}, station)
    assert one.starts == 1
    assert next((w.code, w.text) for w in one.warnings) == (
        "layer-missing",
        "there is no layer 'CUT' here: the station's others are counted",
    )
    with pytest.raises(ServiceError, match="none of the layers that the station cuts") as caught:
        program_counts.count_data("a.dxf", "dxf", drawing("X", "Y\u202e"), {}, station)
    assert "X, Y" in caught.value.mend
    assert "\u202e" not in str(caught.value)
    # A list of its own is meant for this very drawing: a name that is not there is a slip.
    with pytest.raises(ServiceError, match="there is no layer 'CUT'"):
        program_counts.count_data("a.dxf", "dxf", drawing("X"), {"layers": ["CUT", "X"]}, station)


@pytest.mark.parametrize(("encoding", "unit"), [("utf-8", 1), ("utf-16", 2), ("latin-1", 1)])
def test_a_large_text_is_read_bit_by_bit(
    monkeypatch: pytest.MonkeyPatch, encoding: str, unit: int
) -> None:
    monkeypatch.setattr(file_text, "_CHUNK", 7)
    text = "(Träger)\r\n" + "G1 X1\r" * 20 + "(輪郭)\n" * (encoding != "latin-1") + "M30"
    data = text.encode(encoding)
    lines = [x.rstrip("\n") for x in file_text.text_of("a.nc", data)]
    assert lines == text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    assert file_text.decoded("a.nc", data) == text
    with pytest.raises(ServiceError, match="holds a NUL") as caught:
        file_text.decoded("a.nc", f"a\nb\n{text[1:]}".encode(encoding) + b"\0" * unit)
    assert caught.value.place == f"a.nc, line {2 + text.count(chr(10)) + 1}"
    if encoding == "utf-16":
        with pytest.raises(ServiceError, match=f"breaks off at byte {len(data)}"):
            file_text.decoded("a.nc", data + b"x")


def test_a_list_of_plates_may_say_minutes_and_name_nothing(lite: Floor) -> None:
    out = import_file(
        lite.shop, lite.tech, "list.csv", b"starts,minutes,quantity\n40,30,2\n", way="upload"
    )
    assert out.kind == "plates"
    assert len(out.program_ids) == 2
