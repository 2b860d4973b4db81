"""The command line's contract: output, errors that name place and mend, exit codes."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from typing import Any

import pytest

from kit import Floor
from pitwise.cli.main import run
from pitwise.cli.serve import make_demo
from pitwise.services import book, people, views
from pitwise.services.shopfloor import open_book
from pitwise.trade import base_sheet
from pitwise.trade.model import PART_SLUGS

EXAMPLE = (
    '{"process":{"amps":300,"material":"mild steel"},"coolant":"water","gauge":{"u_mm":0.03},'
    '"parts":{"nozzle":{"seen":["scale"],"absent":["arc-marks"]},'
    '"electrode":{"looked":true,"pit_depth":["1.42 mm"]},"swirl-ring":{"looked":true}}}'
)


def call(
    capsys: pytest.CaptureFixture[str],
    *argv: str,
    stdin: str | bytes | None = None,
    monkeypatch: pytest.MonkeyPatch | None = None,
) -> tuple[int, str, str]:
    if stdin is not None:
        assert monkeypatch is not None
        raw = stdin if isinstance(stdin, bytes) else stdin.encode()
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(raw)))
    code = run(argv)
    out, err = capsys.readouterr()
    return code, out, err


def test_decide_prints_the_pinned_json(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code, out, err = call(capsys, "decide", "-", "--json", stdin=EXAMPLE, monkeypatch=monkeypatch)
    assert (code, err) == (0, "")
    data = json.loads(out)
    assert data["set"] == "incomplete"
    assert list(data["parts"]) == list(PART_SLUGS)
    got = {slug: part["action"] for slug, part in data["parts"].items()}
    assert got["nozzle"] == "clean"
    assert got["electrode"] == "keep"
    assert got["swirl-ring"] == "keep"
    assert got["torch-head"] == "not-looked"
    electrode = data["parts"]["electrode"]
    assert electrode["limit"]["value"] == 1.5
    assert (electrode["limit"]["unit"], electrode["limit"]["compare"]) == ("mm", ">=")
    assert electrode["p_over_limit"] == pytest.approx(0.003830380567589775, rel=1e-12)
    assert all(
        {"rule", "text", "source"} <= set(r) for p in data["parts"].values() for r in p["because"]
    )
    assert data["sheet"] == {"version": base_sheet().version, "sha256": base_sheet().sha256}
    assert data["flags"] == []


def test_decide_prints_a_table_for_people(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "case.json"
    file.write_text(EXAMPLE)
    code, out, _ = call(capsys, "decide", str(file))
    assert code == 0
    assert "Set: incomplete" in out
    assert "Scale on the outside" in out


def bad_part(**fields: Any) -> str:
    return json.dumps({"parts": {"nozzle": fields}})


def bad_pit(value: Any) -> str:
    return json.dumps({"parts": {"electrode": {"pit_depth": value}}})


MALFORMED: list[tuple[str | bytes, str]] = [
    ("", "line 1"),
    ("{", "line 1"),
    ("[]", "not an object"),
    ("null", "not an object"),
    ("12", "not an object"),
    ('"x"', "not an object"),
    ("{'parts':{}}", "line 1, column 2"),
    ("{}", "parts: nothing was looked at"),
    ('{"parts":[]}', "parts"),
    ('{"parts":null}', "parts"),
    ('{"parts":{}}{}', "not JSON"),
    ('{"part":{}}', "did you mean 'parts'"),
    ('{"parts":{},"parts":{}}', "stands twice"),
    ('{"parts":{"nozle":{}}}', "did you mean 'nozzle'"),
    ('{"parts":{"nozzle":[]}}', "parts.nozzle"),
    ('{"parts":{"nozzle":true}}', "parts.nozzle"),
    (bad_part(seen="scale"), 'parts.nozzle.seen: "scale" is not a list'),
    (bad_part(seen=["scael"]), "parts.nozzle.seen[0]: 'scael' is not a finding of the nozzle"),
    (bad_part(seen=["scale", 3]), "parts.nozzle.seen[1]"),
    (bad_part(absent=[None]), "absent[0]"),
    (bad_part(seen=["scale"], absent=["scale"]), "both seen and absent"),
    (bad_part(looked="yes"), "parts.nozzle.looked"),
    (bad_part(looked=1), "parts.nozzle.looked"),
    (bad_part(sen=["scale"]), "did you mean 'seen'"),
    (bad_part(pit_depth=["1 mm"]), "pit_depth"),
    (bad_part(seen=["coolant-darkening"]), "not a finding of the nozzle"),
    (bad_pit(["1.4 cm"]), "pit_depth[0]: unknown unit 'cm'"),
    (bad_pit(["-1 mm"]), "negative"),
    (bad_pit([""]), "empty"),
    (bad_pit([True]), "not a depth"),
    (bad_pit({}), "pit_depth[0]"),
    (bad_pit(["1"] * 51), "51 readings"),
    (bad_pit(["1/16 in"]), "fraction"),
    ('{"parts":{},"gauge":{"u_mm":-0.1}}', "gauge.u_mm"),
    ('{"parts":{},"gauge":{"u_mm":"0.03"}}', "gauge.u_mm"),
    ('{"parts":{},"gauge":{"u_mm":1e999}}', "gauge.u_mm"),
    ('{"parts":{},"gauge":{"u_mm":NaN}}', "gauge.u_mm"),
    ('{"parts":{},"gauge":{"u":1}}', "gauge.u"),
    ('{"parts":{},"gauge":3}', "gauge"),
    ('{"parts":{},"gauge":{"unit":"cm"}}', "gauge.unit"),
    ('{"parts":{},"process":{"amps":"300"}}', "process.amps"),
    ('{"parts":{},"process":{"amps":0}}', "process.amps"),
    ('{"parts":{},"process":{"material":7}}', "process.material"),
    ('{"parts":{},"process":{"ampere":300}}', "did you mean 'amps'"),
    ('{"parts":{},"coolant":"beer"}', "coolant: 'beer'"),
    ('{"parts":{},"coolant":5}', "coolant"),
    ('{"parts":{},"confirmed":["unit-slips"]}', "did you mean 'unit-slip'"),
    ('{"parts":{},"last_pit_depth":"deep"}', "last_pit_depth"),
    ('{"parts":{},"process":{"amps":' + "9" * 5000 + "}}", "Mend"),
    ("[" * 100_000, "Mend"),
    (b"\xff\xfe\x00", "not UTF-8"),
    ("\x00", "line 1"),
]


def test_there_are_forty_malformed_files() -> None:
    assert len(MALFORMED) >= 40


@pytest.mark.parametrize(("text", "word"), MALFORMED, ids=range(len(MALFORMED)))
def test_malformed_input_names_place_and_mend_and_exits_2(
    text: str | bytes,
    word: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    code, out, err = call(capsys, "decide", "-", "--json", stdin=text, monkeypatch=monkeypatch)
    assert code == 2
    assert out == ""
    assert word in err
    assert "Mend:" in err
    assert "Traceback" not in err
    assert len(err) < 700


@pytest.mark.parametrize("name", ["no-such.json", "."])
def test_unreadable_files(capsys: pytest.CaptureFixture[str], name: str) -> None:
    code, _, err = call(capsys, "decide", name)
    assert code == 2
    assert "can't be read" in err


def test_a_shops_sheet_decides_and_a_broken_one_is_refused(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    case = tmp_path / "case.json"
    case.write_text('{"parts":{"nozzle":{"looked":true,"seen":["scale"]}}}')
    own = tmp_path / "own.toml"
    head = '[sheet]\nid = "own"\nversion = "3"\ntitle = "Ours"\n'
    row = (
        '[[finding]]\npart = "nozzle"\nid = "scale"\nname = "Scale"\nlook = "l"\n'
        'action = "replace"\ndo = "swap"\nsource = "our manual"\n'
    )
    own.write_text(head + row)
    code, out, _ = call(capsys, "decide", str(case), "--json", "--sheet", str(own))
    assert code == 0
    assert json.loads(out)["parts"]["nozzle"]["action"] == "replace"
    assert "own 3" in json.loads(out)["sheet"]["version"]
    assert call(capsys, "sheet", "check", str(own))[0] == 0
    own.write_text(head + row.replace("replace", "scrap"))
    for argv in (["sheet", "check", str(own)], ["decide", str(case), "--sheet", str(own)]):
        code, out, err = call(capsys, *argv)
        assert code == 2
        assert "own.toml, finding 1 (nozzle scale), line 5: 'action'" in err
        assert "Mend:" in err


def test_sheet_show(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = call(capsys, "sheet", "show", "--json")
    assert code == 0
    data = json.loads(out)
    assert data["sha256"] == base_sheet().sha256
    assert len(data["findings"]) == len(base_sheet().findings)
    code, out, _ = call(capsys, "sheet", "show", "--part", "nozzle")
    assert code == 0
    assert "common practice, no" in out


def test_torch(capsys: pytest.CaptureFixture[str], lite: Floor) -> None:
    lite.inspect("0.62", starts="900")
    url = lite.shop.database.url.render_as_string()
    code, out, _ = call(capsys, "--database", url, "torch", "torch a", "--json")
    assert code == 0
    assert json.loads(out)[0]["last_pit_mm"] == 0.62
    assert call(capsys, "--database", url, "torch")[0] == 0
    code, _, err = call(capsys, "--database", url, "torch", "Torch C")
    assert code == 2
    assert "did you mean 'Torch" in err


def test_a_database_that_is_not_supported(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = call(capsys, "--database", "mysql://x/y", "torch")
    assert code == 1
    assert "not supported" in err


def test_demo_is_seeded_whole_and_honest(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "demo.db"
    code, out, _ = call(capsys, "demo", "--file", str(file), "--days", "25", "--no-serve")
    assert code == 0
    assert "odile" in out
    shop = open_book(f"sqlite:///{file}")
    assert shop.is_demo()
    torches = views.torches(shop, people.SYSTEM)
    assert len(torches) == 3
    assert len({t.torch.station.name for t in torches}) == 2
    assert any(t.draft_id for t in torches)
    lines, count = views.records(shop, people.SYSTEM)
    assert count >= 12
    assert book.verify_book(shop, people.SYSTEM).faults == ()
    shop.close()
    again = tmp_path / "again.db"
    make_demo(again, days=25, seed=2026, quiet=True)
    other = open_book(f"sqlite:///{again}")
    assert [(x.torch, x.pit_mm, x.set_state) for x in views.records(other, people.SYSTEM)[0]] == [
        (x.torch, x.pit_mm, x.set_state) for x in lines
    ]
    other.close()
    assert [p.name for p in tmp_path.glob("*.part*")] == []


def test_demo_refuses_a_book_that_is_no_demo(
    capsys: pytest.CaptureFixture[str], lite: Floor
) -> None:
    file = str(lite.shop.database.url.database)
    code, _, err = call(capsys, "demo", "--file", file, "--no-serve")
    assert code == 1
    assert "not a demo book" in err


def test_serve_refuses_to_open_to_the_network_unnamed(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    url = f"sqlite:///{tmp_path / 'b.db'}"
    code, _, err = call(capsys, "--database", url, "serve", "--host", "0.0.0.0")
    assert code == 2
    assert "--allow-host" in err
    code, _, err = call(capsys, "--database", url, "serve", "--port", "99999")
    assert code == 2


def test_help_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        run(["--help"])
    assert stop.value.code == 0
    out = capsys.readouterr().out
    for command in ("decide", "sheet", "torch", "serve", "demo", "book"):
        assert command in out
    with pytest.raises(SystemExit) as stop:
        run(["polish"])
    assert stop.value.code == 2
