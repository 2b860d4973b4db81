"""`pitwise watch`: takes what has stopped growing, once, and leaves the folder as it was."""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import threading
import time
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from kit import Floor
from pitwise.cli import watch as watching
from pitwise.cli.main import run
from pitwise.records.wear_tables import ImportFile
from pitwise.services import program_counts, programs
from pitwise.services.errors import BookBusyError, BookError, BookFullError
from pitwise.services.imports import import_file
from pitwise.services.people import SYSTEM

GOOD = b"G21\nG90\nM3\nG4 P1\nG1 X100 F6000\nM5\nM30\n"
Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "in"
    made.mkdir()
    return made


@pytest.fixture
def call(lite: Floor, capsys: pytest.CaptureFixture[str]) -> Call:
    url = lite.shop.database.engine.url.render_as_string(hide_password=False)

    def do(*argv: str) -> tuple[int, str, str]:
        code = run(["--database", url, "watch", *argv])
        out, err = capsys.readouterr()
        return code, out, err

    return do


def files(floor: Floor) -> int:
    with floor.shop.database.read() as session:
        return session.scalar(select(func.count()).select_from(ImportFile)) or 0


def test_once_takes_what_is_there_and_alters_nothing(lite: Floor, folder: Path, call: Call) -> None:
    (folder / "a.nc").write_bytes(GOOD)
    (folder / "Träger 日本.nc").write_bytes(GOOD + b"(2)\n")
    (folder / "bad.nc").write_bytes(b"M3\n??\n")
    for left_alone in (".hidden.nc", "b.nc.part", "c.tmp", "d.nc~"):
        (folder / left_alone).write_bytes(GOOD + b"(3)\n")
    (folder / "sub").mkdir()
    (folder / "sub" / "e.nc").write_bytes(GOOD + b"(4)\n")
    (folder / "link.nc").symlink_to(folder / "sub" / "e.nc")
    os.mkfifo(folder / "pipe.nc")
    before = {p.name: p.lstat() for p in folder.iterdir()}
    code, out, err = call(str(folder), "--once", "--every", "0.1")
    assert (code, err) == (2, "")
    assert sorted(x.split()[0] for x in out.splitlines()) == ["NEW", "NEW", "REFUSED"]
    assert "bad.nc, line 2" in out
    assert files(lite) == 2
    after = {p.name: p.lstat() for p in folder.iterdir()}
    assert {n: (s.st_size, s.st_mtime_ns) for n, s in before.items()} == {
        n: (s.st_size, s.st_mtime_ns) for n, s in after.items()
    }
    (folder / "bad.nc").unlink()
    code, out, _ = call(str(folder), "--once", "--every", "0.1", "--json")
    assert code == 0
    rows = [json.loads(line) for line in out.splitlines()]
    assert [r["outcome"] for r in rows] == ["already", "already"]
    assert rows[0]["file"] in ("a.nc", "Träger 日本.nc")
    assert files(lite) == 2


def test_only_some_endings_and_a_station(lite: Floor, folder: Path, call: Call) -> None:
    for name in ("a.NC", "b.csv", "c.txt"):
        (folder / name).write_bytes(GOOD + name.encode().join((b"(", b")\n")))
    code, out, _ = call(
        str(folder), "--once", "--every", "0.1", "--only", "nc", "--only", ".TXT",
        "--station", "table 1", "--json",
    )  # fmt: skip
    assert code == 0
    assert [json.loads(x)["name"] for x in out.splitlines()] == ["a.NC", "c.txt"]
    (line, _) = programs.programs(lite.shop, lite.tech).lines
    assert line.way == "watch"
    assert line.imported_by == "Pitwise"


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["nowhere"], "there is no such folder"),
        ([".", "--every", "0"], "out of range"),
        ([".", "--every", "nan"], "out of range"),
        ([".", "--station", "Table 9"], "the book has: Table 1"),
        ([".", "--only", "."], "is no ending"),
    ],
)
def test_bad_input_is_exit_2_and_names_the_mend(call: Call, argv: list[str], words: str) -> None:
    code, out, err = call(*argv, "--once")
    assert (code, out) == (2, "")
    assert words in err
    assert "Mend:" in err


def test_a_zone_that_is_none_is_told_at_once(
    folder: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PITWISE_TIMEZONE", "Mars/North")
    code, _, err = call(str(folder), "--once")
    assert code == 2
    assert "no time zone" in err


def test_a_file_that_still_grows_waits(folder: Path) -> None:
    state = watching._Watch(folder, ())
    file = folder / "a.nc"
    file.write_bytes(b"M3\n")
    assert state.look() == []
    file.write_bytes(b"M3\nM5\n")
    assert state.look() == []
    ((path, signature),) = state.look()
    assert path == file
    state.dealt[path.name] = signature
    assert state.look() == []
    # Changed after it was refused: taken again, once it stands still.
    file.write_bytes(b"M3\nM5\nM30\n")
    assert state.look() == []
    assert [p for p, _ in state.look()] == [file]
    file.unlink()
    assert state.look() == []
    assert state.dealt == {}


def test_what_changes_while_it_is_read_and_a_busy_book_wait(
    lite: Floor, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = folder / "a.nc"
    file.write_bytes(GOOD)
    facts = file.stat()
    stale = watching._one(lite.shop, file, (facts.st_size, facts.st_mtime_ns - 1), None)
    assert stale["later"]
    gone = watching._one(lite.shop, folder / "b.nc", (1, 1), None)
    assert gone["later"]
    huge = watching._one(lite.shop, file, (1 << 40, 1), None)
    assert huge["outcome"] == "refused"
    assert "larger than 64 MB" in huge["message"]

    def busy(*_args: Any, **_more: Any) -> None:
        raise BookBusyError("busy")

    monkeypatch.setattr(watching, "import_file", busy)
    assert watching._one(lite.shop, file, (facts.st_size, facts.st_mtime_ns), None)["later"]
    assert files(lite) == 0


def test_a_folder_that_goes_away_is_told_once(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    state = watching._Watch(folder, ())
    folder.rmdir()
    for _ in range(3):
        assert watching._look(state) == []
    assert capsys.readouterr().err.count("can't be read now") == 1
    folder.mkdir()
    (folder / "a.nc").write_bytes(GOOD)
    watching._look(state)
    assert len(watching._look(state)) == 1


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_goes_on_until_stopped_and_stops_cleanly(
    lite: Floor, folder: Path, number: signal.Signals
) -> None:
    url = lite.shop.database.engine.url.render_as_string(hide_password=False)
    command = [sys.executable, "-c", "from pitwise.cli.main import entry; entry()"]
    command += ["--database", url, "watch", str(folder), "--every", "0.1", "--json"]
    (folder / "a.nc").write_bytes(GOOD)
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert json.loads(process.stdout.readline())["outcome"] == "new"
        (folder / "bad.nc").write_bytes(b"?")
        assert json.loads(process.stdout.readline())["outcome"] == "refused"
        time.sleep(0.5)
        (folder / "bad.nc").write_bytes(GOOD + b"(mended)\n")
        assert json.loads(process.stdout.readline())["outcome"] == "new"
        process.send_signal(number)
        out, err = process.communicate(timeout=20)
    assert process.returncode == 0
    assert out == ""
    assert "stopped" in err
    assert "Traceback" not in err
    assert programs.programs(lite.shop, SYSTEM).total == 2


def facts_of(file: Path) -> tuple[int, int]:
    facts = file.lstat()
    return facts.st_size, facts.st_mtime_ns


BROKEN = [
    BookBusyError("the book is busy"),
    BookFullError("the disk is full"),
    BookError("the disk is broken"),
    OSError(5, "Input/output error"),
]


@pytest.mark.parametrize("error", BROKEN)
def test_once_tells_what_was_left_and_does_not_say_done(
    folder: Path, call: Call, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    def fails(*_args: Any, **_more: Any) -> None:
        raise error

    (folder / "a.nc").write_bytes(GOOD)
    monkeypatch.setattr(watching, "import_file", fails)
    code, out, err = call(str(folder), "--once", "--every", "0.1")
    assert code == 1
    assert out.startswith("LEFT     a.nc: ")
    assert "1 not taken: left for the next time" in err
    code, out, _ = call(str(folder), "--once", "--every", "0.1", "--json")
    assert code == 1
    row = json.loads(out)
    assert (row["file"], row["outcome"]) == ("a.nc", "left")
    assert set(row) == {"file", "outcome", "message"}
    monkeypatch.undo()
    (folder / "bad.nc").write_bytes(b"M3\n??\n")
    right = watching._read

    def unreadable(path: Path, signature: tuple[int, int]) -> bytes | None:
        if path.name == "a.nc":
            raise PermissionError(13, "Permission denied")
        return right(path, signature)

    monkeypatch.setattr(watching, "_read", unreadable)
    code, out, _ = call(str(folder), "--once", "--every", "0.1")
    assert code == 2
    assert "LEFT     a.nc: can't be read now (Permission denied)" in out
    (folder / "bad.nc").unlink()
    assert call(str(folder), "--once", "--every", "0.1")[0] == 1
    monkeypatch.undo()
    assert call(str(folder), "--once", "--every", "0.1")[0] == 0


def test_once_a_growing_file_or_a_lost_folder_is_not_done(
    folder: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "a.nc").write_bytes(GOOD)
    right = watching._Watch._files
    monkeypatch.setattr(
        watching._Watch,
        "_files",
        lambda self: ((n, (s[0], time.perf_counter_ns())) for n, s in right(self)),
    )
    code, _, err = call(str(folder), "--once", "--every", "0.1")
    assert (code, "1 still growing" in err) == (1, True)

    def gone(_self: object) -> Any:
        raise OSError(116, "Stale file handle")

    monkeypatch.setattr(watching._Watch, "_files", gone)
    code, _, err = call(str(folder), "--once", "--every", "0.1")
    assert (code, err.count("can't be read now")) == (1, 1)


@pytest.mark.parametrize("error", BROKEN)
def test_what_could_not_be_taken_is_said_once_and_tried_again(
    lite: Floor,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: Exception,
) -> None:
    tries = 0
    right = import_file

    def fails(*args: Any, **more: Any) -> Any:
        nonlocal tries
        tries += 1
        if tries <= 3:
            raise error
        return right(*args, **more)

    (folder / "a.nc").write_bytes(GOOD)
    monkeypatch.setattr(watching, "import_file", fails)
    args = argparse.Namespace(json=False, quiet=True)
    watch, stop = watching._Watch(folder, ()), threading.Event()
    when = []
    for look in range(12):
        before = tries
        watching._take(lite.shop, watch, watching._look(watch), args, None, stop)
        when += [look] * (tries - before)
    # Ever more seldom: after one, two and four looks.
    assert when == [1, 2, 4, 8]
    out = capsys.readouterr().out
    assert out.count("LEFT ") == 1
    assert out.count("NEW ") == 1
    assert files(lite) == 1


def test_a_file_that_trips_its_reader_does_not_end_the_watch(
    lite: Floor, folder: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    def trips(*_args: Any, **_more: Any) -> None:
        raise RecursionError("too deep")

    monkeypatch.setattr(program_counts, "read_program", trips)
    (folder / "a.nc").write_bytes(GOOD)
    (folder / "b.csv").write_bytes(b"name,starts,arc_minutes\nP1,3,2\n")
    code, out, _ = call(str(folder), "--once", "--every", "0.1")
    assert code == 2
    assert "REFUSED  a.nc: could not be read: RecursionError (too deep)" in out
    assert "NEW      b.csv: " in out
    assert files(lite) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX files")
def test_what_took_a_files_place_is_not_followed(lite: Floor, folder: Path, tmp_path: Path) -> None:
    file, secret = folder / "a.nc", tmp_path / "secret"
    file.write_bytes(GOOD)
    secret.write_bytes(GOOD)
    os.utime(secret, ns=(0, file.stat().st_mtime_ns))
    signature = facts_of(file)
    file.unlink()
    file.symlink_to(secret)
    assert watching._one(lite.shop, file, signature, None)["later"]
    file.unlink()
    # Opened as a file is, a pipe waits for a writer for ever.
    os.mkfifo(file)
    assert watching._one(lite.shop, file, (0, file.stat().st_mtime_ns), None)["later"]
    file.unlink()
    file.mkdir()
    assert watching._one(lite.shop, file, facts_of(file), None)["later"]
    assert files(lite) == 0


def test_a_use_file_ahead_of_the_clock_is_tried_again(
    lite: Floor, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "use.csv").write_bytes(
        b"torch,at,starts,arc_minutes\nTorch A,2031-03-03T09:00Z,5,1\n"
    )
    args = argparse.Namespace(json=True, quiet=True)
    watch, stop = watching._Watch(folder, ()), threading.Event()
    for look in range(10):
        if look == 5:
            lite.clock.forward(hours=3)
        watching._take(lite.shop, watch, watching._look(watch), args, None, stop)
    first, second = map(json.loads, capsys.readouterr().out.splitlines())
    assert first["outcome"] == "refused"
    assert "still to come" in first["problem"]
    assert (second["outcome"], second["use_reports"]) == ("new", 1)


@pytest.mark.skipif(sys.platform != "linux", reason="needs names of any bytes")
@pytest.mark.parametrize("encoding", ["utf-8:strict", "ascii:strict"])
@pytest.mark.parametrize("form", [(), ("--json",)])
def test_hostile_names_reach_no_terminal(
    lite: Floor, folder: Path, form: tuple[str, ...], encoding: str
) -> None:
    names = [
        b"\x1b]0;title\x07\x1b[31m.nc",
        b"two\nlines.nc",
        "\u202ecn.exe.nc".encode(),
        "\x9b2J\u2028\u0085.nc".encode(),
        b"Tr\xe4ger.nc",
        "Träger 日本.nc".encode(),
    ]
    for number, name in enumerate(names):
        (folder / os.fsdecode(name)).write_bytes(GOOD + b"(%d)\n" % number)
        (folder / os.fsdecode(b"bad" + name)).write_bytes(b"?\x1b]0;pwn\x07%d" % number)
    url = lite.shop.database.engine.url.render_as_string(hide_password=False)
    command = [sys.executable, "-c", "from pitwise.cli.main import entry; entry()"]
    command += ["--database", url, "watch", str(folder), "--once", "--every", "0.1", *form]
    done = subprocess.run(
        command, capture_output=True, timeout=60, env=os.environ | {"PYTHONIOENCODING": encoding}
    )
    assert done.returncode == 2, done.stderr
    out = done.stdout.decode()
    assert len(out.splitlines()) == len(out.split("\n")) - 1 == 12
    raw = set(out) - {"\n"}
    assert not {c for c in raw if unicodedata.category(c)[0] == "C"}
    assert b"\x1b" not in done.stderr
    if form:
        told = {json.loads(x)["file"] for x in out.splitlines()}
        assert {"twolines.nc", "Tr%E4ger.nc", "Träger 日本.nc", "]0;title[31m.nc"} <= told
    else:
        assert "Tr%E4ger.nc" in out
    with lite.shop.database.read() as session:
        kept = session.scalars(select(ImportFile.name)).all()
    assert "Tr%E4ger.nc" in kept
    assert len(kept) == 6
