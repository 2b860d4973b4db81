"""`pitwise causes`: answers, tables, and refusals with place and mend."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from pitwise.cli.main import run
from pitwise.trade import base_sheet

GIVEN: dict[str, Any] = {
    "findings": {"N_blue": "seen", "E_blue": "seen", "electrode/emitter-off-centre": "absent"},
    "readings": {"coolant_flow": {"value": 3.1, "unit": "l/min"}},
    "context": {"gas_supply": "bottled"},
}
_ENTRY = "from pitwise.cli.main import entry; entry()"
NETWORK: dict[str, Any] = {
    "priors": [0.1, 0.05, 0.02],
    "leak": [0.01, 0.02, 0.05, 0.01],
    "links": [
        [0, 0, 0.8],
        [0, 1, 0.5],
        [0, 3, 0.2],
        [1, 0, 0.3],
        [1, 2, 0.9],
        [1, 3, 0.4],
        [2, 1, 0.6],
        [2, 2, 0.5],
        [2, 3, 0.8],
    ],
}


def _write(path: Path, data: Any) -> str:
    path.write_text(data if isinstance(data, str) else json.dumps(data), "utf-8")
    return str(path)


def test_json_has_the_pinned_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["causes", _write(tmp_path / "a.json", GIVEN), "--json"]) == 0
    got = json.loads(capsys.readouterr().out)
    assert {"causes", "explanations", "next", "flags"} <= got.keys()
    first = got["causes"][0]
    assert {"id", "name", "p", "for", "against"} <= first.keys()
    assert got["causes"] == sorted(got["causes"], key=lambda c: -c["p"])
    assert {"check", "gain_bits", "minutes", "reveals"} <= got["next"][0].keys()
    assert got["step"]["do"] in ("answer", "check", "try", "none")
    assert "E_off" in got["looked"]


def test_the_same_file_gives_the_same_answer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = _write(tmp_path / "a.json", GIVEN)
    outs = []
    for _ in range(2):
        assert run(["causes", place, "--json"]) == 0
        outs.append(capsys.readouterr().out)
    assert outs[0] == outs[1]


def test_nothing_looked_at(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["causes", _write(tmp_path / "a.json", {}), "--json"]) == 0
    got = json.loads(capsys.readouterr().out)
    rates = {c.id: c.base_rate for c in base_sheet().causes}
    assert {c["id"]: c["p"] for c in got["causes"]} == pytest.approx(rates)
    assert got["flags"][0]["code"] == "nothing-looked-at"
    assert got["step"]["do"] == "none"
    assert got["next"]


def test_a_table_for_people(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["causes", _write(tmp_path / "a.json", GIVEN)]) == 0
    out = capsys.readouterr().out
    for words in ("Causes", "90 % range", "Caution:", "Checks still open", "Trade sheet"):
        assert words in out
    assert run(["causes", _write(tmp_path / "b.json", {})]) == 0
    assert "Nothing has been looked at yet" in capsys.readouterr().out


def test_a_shops_range_makes_a_reading_tell(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row = base_sheet().reading("coolant_flow")
    feeds = ", ".join(f'{{ symptom = "{f.symptom}", beyond = "{f.beyond}" }}' for f in row.feeds)
    own = _write(
        tmp_path / "own.toml",
        '[sheet]\nid = "our-shop"\nversion = "1"\ntitle = "Our shop"\n'
        '[[reading]]\nid = "coolant_flow"\nname = "Flow"\n'
        f'text = "From the manual"\nunit = "l/min"\nu = 0.2\nlow = 5.0\nfeeds = [{feeds}]\n'
        'source = "made up"\n',
    )
    only = {"readings": GIVEN["readings"]}
    ps = []
    for words in ([], ["--sheet", own]):
        code = run(["causes", _write(tmp_path / "a.json", only), "--json", *words])
        got = capsys.readouterr()
        assert code == 0, got.err
        data = json.loads(got.out)
        ps.append(next(c["p"] for c in data["causes"] if c["id"] == "cool_low"))
        assert ("no-range" in [f["code"] for f in data["flags"]]) == (not words)
    assert ps[1] > 3 * ps[0]


def test_any_network(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    net = _write(tmp_path / "n.json", NETWORK)
    seen = _write(tmp_path / "e.json", {"seen": [0, 1, 2], "absent": [3]})
    assert run(["causes", "--network", net, seen, "--json"]) == 0
    got = json.loads(capsys.readouterr().out)
    # Exact rational values of a made-up network (tests/data/diagnosis.json, qmr-11).
    wanted = [267452173384 / 286777925959, 16483193637 / 40968275137, 2073841062 / 40968275137]
    assert got["p"] == pytest.approx(wanted, rel=1e-12)
    assert got["log_evidence"] == pytest.approx(math.log(85173044009823 / 31250000000000000))
    assert run(["causes", "--network", net, seen]) == 0
    assert "cause 0" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not JSON"),
        ("{", "line 1"),
        ('{"findings": {"N_blue": "seen"', "not JSON"),
        ("[]", "not an object"),
        ('{"findings": {"N_blu": "seen"}}', "did you mean 'N_blue'"),
        ('{"findings": {"N_blue": "seen", "N_blue": "absent"}}', "stands twice"),
        ('{"findings": {"N_blue": "maybe"}}', "not a state"),
        ('{"readings": {"coolant_flow": {"value": NaN, "unit": "l/min"}}}', "out of range"),
        ('{"readings": {"coolant_flow": {"value": 3, "unit": "l/mim"}}}', "did you mean 'l/min'"),
        ('{"readings": {"coolant_flow": {"value": 3, "unit": "bar"}}}', "measures"),
        ('{"done": ["K_nothing"]}', "done.K_nothing"),
        ('{"findings": {"naïve/ä": "seen"}}', "naïve"),
        ("[" * 200_000, "deep"),
        ('{"findings": {"\\ud800": "seen"}}', "Mend"),
        ('{"findings": {"e_blue": "seen"}}', "did you mean 'E_blue'"),
        ('{"findings": {"e_bleu": "seen"}}', "did you mean 'E_blue'"),
        ('{"findings": null}', "findings: null is not an object"),
        ('{"readings": null}', "readings: null is not an object"),
        ('{"findings": {"\\u001b[31mx": "seen"}}', "\\x1b[31mx"),
        ('{\n "readings": {"coolant_flow": ' + "9" * 5000 + "}}", "line 2, column 31"),
    ],
)
def test_bad_input_says_where_and_what_to_mend(
    text: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["causes", _write(tmp_path / "bad.json", text), "--json"]) == 2
    got = capsys.readouterr()
    assert got.out == ""
    assert words in got.err
    assert "bad.json" in got.err
    assert "Mend: " in got.err


def test_files_that_are_no_text_or_too_large(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["causes", str(tmp_path / "none.json")]) == 2
    (tmp_path / "raw.json").write_bytes(b"\xff\xfe{}")
    assert run(["causes", str(tmp_path / "raw.json")]) == 2
    (tmp_path / "big.json").write_bytes(b" " * (4 * 1024 * 1024 + 1))
    assert run(["causes", str(tmp_path / "big.json")]) == 2
    err = capsys.readouterr().err
    assert "can't be read" in err
    assert "UTF-8" in err
    assert "larger than 4 MB" in err


@pytest.mark.parametrize(
    ("network", "evidence", "words"),
    [
        ({**NETWORK, "links": [[0, 0, 1.5]]}, {}, "links[0][2]"),
        ({**NETWORK, "links": [[7, 0, 0.5]]}, {}, "links[0][0]"),
        ("{", {}, "not JSON"),
        (NETWORK, {"seen": [9]}, "seen[0]"),
        (NETWORK, {"seen": [0], "absent": [0]}, "both seen and absent"),
        ({"priors": [0.0], "leak": [0.0], "links": []}, {"seen": [0]}, "impossible"),
    ],
)
def test_bad_networks(
    network: Any, evidence: Any, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    net, seen = (_write(tmp_path / n, d) for n, d in (("n.json", network), ("e.json", evidence)))
    assert run(["causes", "--network", net, seen, "--json"]) == 2
    got = capsys.readouterr()
    assert got.out == ""
    assert words in got.err
    assert "Mend: " in got.err


def test_options_that_exclude_each_other(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["causes", "--network", "-", "-"]) == 2
    assert run(["causes", "--network", "n.json", "--sheet", "s.toml", "e.json"]) == 2
    assert "give one of the two" in capsys.readouterr().err


def test_an_unknown_finding_is_not_answered_with_all_there_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = _write(tmp_path / "a.json", {"findings": {"%%%%": "seen"}})
    assert run(["causes", place]) == 2
    err = capsys.readouterr().err
    assert "`pitwise sheet show` lists all" in err
    assert len(err) < 300


def test_nothing_of_a_file_steers_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    odd = {"context": {"\x1b]0;x": "\x1b[2J", "gas_supply": "\x1b[2J"}}
    assert run(["causes", _write(tmp_path / "a.json", odd)]) == 0
    out = capsys.readouterr().out
    net = _write(tmp_path / "n.json", {**NETWORK, "causes": ["a", "b", "\x1b[31m"]})
    assert run(["causes", "--network", net, _write(tmp_path / "e.json", {"seen": []})]) == 2
    err = capsys.readouterr().err
    assert "can't be printed" in err
    assert "\x1b" not in out + err


@pytest.mark.parametrize("value", [1e-151, 1e-300])
def test_numbers_too_small_for_sums_are_refused_by_name(
    value: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seen = _write(tmp_path / "e.json", {"seen": [0]})
    for key, place in (("priors", "priors[1]"), ("leak", "leak[1]")):
        numbers = list(NETWORK[key])
        numbers[1] = value
        net = _write(tmp_path / "n.json", {**NETWORK, key: numbers})
        assert run(["causes", "--network", net, seen]) == 2
        err = capsys.readouterr().err
        assert place in err
        assert "at least 1e-150" in err


def test_evidence_that_takes_minutes_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    causes, findings = 30, 24
    dense = {
        "priors": [0.1] * causes,
        "leak": [0.01] * findings,
        "links": [[i, j, 0.3] for i in range(causes) for j in range(findings)],
    }
    net = _write(tmp_path / "n.json", dense)
    seen = _write(tmp_path / "e.json", {"seen": list(range(findings))})
    assert run(["causes", "--network", net, seen]) == 2
    err = capsys.readouterr().err
    assert "24" in err
    assert "Mend: leave out findings" in err
    few = _write(tmp_path / "f.json", {"seen": list(range(12))})
    assert run(["causes", "--network", net, few]) == 0
