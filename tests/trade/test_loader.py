"""Trade sheets: whole, sourced, and refused with file, row and mend when broken."""

from __future__ import annotations

import pytest

from pitwise.reports.drawing import FINDING_SLUGS
from pitwise.trade import SheetError, base_sheet, load_sheet
from pitwise.trade.loader import base_texts
from pitwise.trade.model import PART_SLUGS, ProcessSelector

OVERLAY_HEAD = '[sheet]\nid = "own"\nversion = "1"\ntitle = "Our shop"\n'
PINNED = [
    "mechanical-damage",
    "crack",
    "chip",
    "deformed",
    "orifice-out-of-round",
    "orifice-nicked",
    "arc-marks",
    "gas-holes-blocked",
    "debris-in-gas-ports",
    "o-ring-damaged",
    "o-ring-missing",
    "o-ring-overgreased",
    "o-ring-dry",
    "spatter-attached",
    "scale",
    "dirt",
    "coolant-darkening",
    "pink-stain",
    "emitter-off-centre",
    "emitter-blown",
    "threads-damaged",
    "bent",
]


def overlay(text: str) -> dict[str, str]:
    return {"own.toml": OVERLAY_HEAD + text}


def test_the_base_sheet_is_whole_and_every_row_has_a_source() -> None:
    sheet = base_sheet()
    assert tuple(p.id for p in sheet.parts) == PART_SLUGS
    assert {f.id for f in sheet.findings} >= set(PINNED)
    for rows in (
        sheet.parts,
        sheet.findings,
        sheet.limits,
        sheet.pairings,
        sheet.contradictions,
        sheet.coolants,
        sheet.cautions,
        sheet.constants,
    ):
        assert rows
        assert all(row.source for row in rows)


def test_every_icon_named_by_a_finding_is_drawn() -> None:
    assert {f.icon for f in base_sheet().findings if f.icon} <= set(FINDING_SLUGS)


def test_hash_is_of_the_content_and_changes_with_any_row() -> None:
    base = base_sheet()
    assert load_sheet(base_texts()).sha256 == base.sha256
    changed = load_sheet(
        base_texts(),
        overlay(
            '[[constant]]\nid = "accepted-risk"\nvalue = "0.01"\nunit = "1"\ntext = "x"\n'
            'source = "own"\n'
        ),
    )
    assert changed.sha256 != base.sha256
    assert "own 1" in changed.version
    assert str(changed.constant("accepted-risk")) == "0.01"


def test_an_overlay_replaces_one_row_and_adds_another() -> None:
    sheet = load_sheet(
        base_texts(),
        overlay(
            '[[finding]]\npart = "nozzle"\nid = "scale"\nname = "Crust"\nlook = "Crust"\n'
            'action = "replace"\ndo = "Swap it"\nsource = "our manual, p. 4"\n'
            '[[limit]]\nid = "ours"\npart = "electrode"\nquantity = "pit-depth"\ncompare = ">="\n'
            'figures = [{ value = "1.2", unit = "mm" }]\nprocess = { amps = 130 }\ntext = "x"\n'
            'source = "our manual, p. 9"\nsince = 2026-03-01\n'
        ),
    )
    finding = sheet.finding("nozzle", "scale")
    assert finding is not None
    assert finding.action == "replace"
    assert len(sheet.findings) == len(base_sheet().findings)
    chosen = sheet.limit_for(
        "electrode", "pit-depth", ProcessSelector(amps=130, material="Mild-Steel")
    )
    assert chosen is not None
    assert (chosen.id, chosen.shop) == ("ours", True)


LIMIT = (
    '[[limit]]\nid = "x"\npart = "electrode"\nquantity = "pit-depth"\ncompare = "{c}"\n'
    'figures = [{f}]\nprocess = {{}}\ntext = "x"\nsource = "s"\nsince = 2026-01-01\n'
)
FINDING = (
    '[[finding]]\npart = "{p}"\nid = "{i}"\nname = "{n}"\nlook = "l"\naction = "{a}"\ndo = "d"\n'
    'source = "s"\n'
)

BROKEN = [
    ("not toml", "x = = 1", "not readable as TOML", "line"),
    ("unknown table", "[[findings]]\nid='x'", "no such table", "did you mean [[finding]]"),
    ("single brackets", "[finding]\nid='x'", "takes rows", "[[finding]]"),
    ("unknown part", FINDING.format(p="nozle", i="x", n="n", a="keep"), "'part'", "words listed"),
    ("unknown action", FINDING.format(p="nozzle", i="x", n="n", a="polish"), "'action'", "words"),
    ("bad slug", FINDING.format(p="nozzle", i="Bad Slug", n="n", a="keep"), "'id'", "lower-case"),
    ("long name", FINDING.format(p="nozzle", i="x", n="n" * 50, a="keep"), "'name'", "shorter"),
    ("no source", '[[coolant]]\nid="x"\nname="n"\nglycol=true', "'source'", "add this field"),
    (
        "extra field",
        '[[coolant]]\nid="x"\nname="n"\nglycol=true\nsource="s"\ncolour="pink"',
        "'colour'",
        "take this field out",
    ),
    ("bad compare", LIMIT.format(c="<", f='{ value = "1", unit = "mm" }'), "'compare'", "words"),
    ("zero limit", LIMIT.format(c=">", f='{ value = "0", unit = "mm" }'), "value", "correct"),
    ("nan limit", LIMIT.format(c=">", f='{ value = "nan", unit = "mm" }'), "value", "correct"),
    (
        "unit twice",
        LIMIT.format(c=">", f='{ value = "1", unit = "mm" }, { value = "2", unit = "mm" }'),
        "two figures in the same unit",
        "keep one",
    ),
    (
        "figures apart",
        LIMIT.format(c=">", f='{ value = "1.5", unit = "mm" }, { value = "40", unit = "thou" }'),
        "differ by more than 5 %",
        "quote the same depth",
    ),
    ("row twice", FINDING.format(p="nozzle", i="x", n="n", a="keep") * 2, "stands twice", "one"),
    (
        "risk over one",
        '[[constant]]\nid="accepted-risk"\nvalue="5"\nunit="1"\ntext="t"\nsource="s"',
        "not a probability",
        "between 0 and 1",
    ),
    (
        "contradiction of nothing",
        '[[contradiction]]\nid="c"\nfinding="pink-stian"\ncoolant="water"\ntext="t"\nask="a"\n'
        'source="s"',
        "'pink-stian' is not in this sheet",
        "did you mean 'pink-stain'",
    ),
    (
        "self pairing",
        '[[pairing]]\nwhen="nozzle"\ntakes="nozzle"\ntext="t"\nsource="s"',
        "take itself along",
        "another part",
    ),
]


@pytest.mark.parametrize(
    ("text", "problem", "mend"), [b[1:] for b in BROKEN], ids=[b[0] for b in BROKEN]
)
def test_a_broken_sheet_is_refused_with_file_row_and_mend(
    text: str, problem: str, mend: str
) -> None:
    with pytest.raises(SheetError) as caught:
        load_sheet(base_texts(), overlay(text))
    message = str(caught.value)
    assert caught.value.file == "own.toml"
    assert problem in message
    assert mend in message
    assert "Mend:" in message


def test_the_row_is_named_by_number_key_and_line() -> None:
    with pytest.raises(SheetError) as caught:
        load_sheet(
            base_texts(),
            overlay(
                FINDING.format(p="nozzle", i="fine", n="n", a="keep")
                + FINDING.format(p="nozzle", i="odd", n="n", a="burn")
            ),
        )
    assert caught.value.row == "finding 2 (nozzle odd), line 13"


def test_a_sheet_without_a_part_or_a_constant_is_refused() -> None:
    texts = dict(base_texts())
    texts["parts.toml"] = texts["parts.toml"].replace('id = "nozzle"', 'id = "shield"', 1)
    with pytest.raises(SheetError, match="stands twice"):
        load_sheet(texts)
    texts = dict(base_texts())
    texts["constants.toml"] = texts["constants.toml"].replace("emitter-deepest", "emitter-depth")
    with pytest.raises(SheetError, match="'emitter-deepest' is missing"):
        load_sheet(texts)
    with pytest.raises(SheetError, match="exactly one"):
        load_sheet(base_texts(), {"own.toml": ""})


def test_the_most_specific_then_the_shops_then_the_newest_limit_holds() -> None:
    sheet = base_sheet()

    def holds(**process: object) -> str:
        limit = sheet.limit_for("electrode", "pit-depth", ProcessSelector.model_validate(process))
        assert limit is not None
        return limit.id

    assert holds(amps=300, material="mild steel") == "pit-300a-mild-steel"
    own = load_sheet(
        base_texts(), overlay(LIMIT.format(c=">", f='{ value = "0.8", unit = "mm" }'))
    ).limit_for("electrode", "pit-depth", ProcessSelector(amps=300, material="mild steel"))
    assert own is not None
    assert own.id == "x"
    assert holds(amps=300, material="stainless steel") == "pit-general"
    assert holds(amps=260, material="mild steel") == "pit-general"
    assert holds() == "pit-general"
