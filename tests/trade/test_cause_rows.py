"""The causes' tables: whole, sourced, fed by the bench, and refused with file, row and mend."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from pydantic import BaseModel

from pitwise.trade import Check, Remedy, SheetError, UnitError, base_sheet, load_sheet
from pitwise.trade.cause_rows import PART_PLACES, parse_term
from pitwise.trade.loader import base_texts

HEAD = '[sheet]\nid = "own"\nversion = "1"\ntitle = "Our shop"\n'
DOCS = Path(__file__).resolve().parents[2] / "docs" / "sheets.md"
SHEET = base_sheet()
TABLES: tuple[tuple[BaseModel, ...], ...] = (
    SHEET.causes,
    SHEET.symptoms,
    SHEET.links,
    SHEET.checks,
    SHEET.remedies,
    SHEET.readings,
    SHEET.normals,
    SHEET.conflicts,
)

# Fed by the wear model (a pit past its forecast), so by no finding of the bench.
UNMAPPED = {"E_deep"}


def overlay(text: str) -> dict[str, str]:
    return {"own.toml": HEAD + text}


def test_counts_keep_the_network_a_size_a_person_can_read() -> None:
    assert 28 <= len(SHEET.causes) <= 32
    assert 87 <= len(SHEET.symptoms) <= 95
    assert 326 <= len(SHEET.links) <= 400
    assert 20 <= len(SHEET.checks) <= 24
    assert len(SHEET.remedies) > len(SHEET.causes)
    assert len(SHEET.readings) >= 20
    assert len(SHEET.normals) >= 14
    assert len(SHEET.conflicts) >= 13


def test_every_row_names_its_source() -> None:
    cited = {str(r.model_dump()["source"]) for t in TABLES for r in t} - {
        "common practice, no source"
    }
    assert all("no source" in source for source in cited)
    assert sum("ISO 8573-1" in source and "from memory" in source for source in cited) == 2


def test_every_link_joins_a_known_cause_and_symptom_and_every_cause_has_its_confirmation() -> None:
    causes, symptoms = {c.id for c in SHEET.causes}, {s.id for s in SHEET.symptoms}
    assert {k.cause for k in SHEET.links} == causes
    assert {k.symptom for k in SHEET.links} == symptoms
    for cause in causes:
        strongest = max(k.p for k in SHEET.links_of(cause))
        # 'seat' has no single sign: each way of sitting badly shows another.
        assert strongest >= (0.45 if cause == "seat" else 0.8), cause


def test_lookups() -> None:
    assert SHEET.cause("cool_low").name == "Low coolant flow"
    assert SHEET.symptom("E_off").bench == ("electrode/emitter-off-centre",)
    assert SHEET.check("K_pilot").who == "electrician"
    assert SHEET.reading("coolant_flow").unit == "l/min"
    assert SHEET.remedies_of("cool_low")[0].id == "coolant-top-up"
    assert SHEET.context_keys == ("gas_supply", "parts_unchanged_for")
    assert SHEET.context_values("gas_supply") == ("bottled",)
    with pytest.raises(KeyError):
        SHEET.cause("cool")


def test_every_symptom_on_a_part_is_fed_by_the_bench_or_knowingly_not() -> None:
    on_parts = {s.id for s in SHEET.symptoms if s.where in PART_PLACES}
    fed = {s.id for s in SHEET.symptoms if s.bench}
    assert on_parts - fed == UNMAPPED
    assert fed <= on_parts
    halves = {s.id for s in SHEET.symptoms if not (s.bench_seen and s.bench_absent)}
    assert halves == {"T_drip", "O_melt"}


def test_no_normal_look_of_the_bench_counts_as_a_symptom() -> None:
    kept = {f"{f.part}/{f.id}" for f in SHEET.findings if f.action == "keep"}
    mapped = {word for s in SHEET.symptoms for word in s.bench}
    assert kept & mapped == {"electrode/pit-ragged"}


def test_work_that_can_hurt_carries_a_caution_that_defers() -> None:
    rows: tuple[Check | Remedy, ...] = (*SHEET.checks, *SHEET.remedies)
    # Reading the record touches nothing.
    assert {row.id for row in rows if not row.caution} == {"K_log"}
    for row in rows:
        if row.isolated:
            assert re.search(r"site's procedure|local codes|manual", row.caution, re.I), row.id
        if row.who == "electrician":
            assert "lectrician" in row.caution
    assert {c.id for c in SHEET.checks if c.who == "electrician"} == {"K_pilot"}
    for word in ("pilot-mend", "head-new", "gas-valves", "coolant-pump", "work-cable"):
        remedy = next(r for r in SHEET.remedies if r.id == word)
        assert (remedy.who, remedy.isolated) == ("electrician", True)
    cloth = SHEET.check("K_cloth").caution
    assert "oxygen" in cloth
    assert "oil" in cloth


def test_heads_and_tubes_need_the_front_apart_first() -> None:
    assert SHEET.check("K_head").after == ("K_strip",)
    assert SHEET.check("K_tube").after == ("K_strip",)
    assert {c.id for c in SHEET.checks if c.bench} == {"K_look", "K_strip", "K_head", "K_tube"}


def test_electrode_and_nozzle_are_fitted_new_together() -> None:
    pair = {"electrode", "nozzle"}
    assert all(len(pair & set(r.parts)) in (0, 2) for r in SHEET.remedies)


def test_sums_are_sane() -> None:
    none_at_work = math.prod(1 - c.base_rate for c in SHEET.causes)
    assert 0.1 < none_at_work < 0.4
    assert 1.0 < sum(c.base_rate for c in SHEET.causes) < 2.0
    assert 0.05 < math.prod(1 - s.leak for s in SHEET.symptoms) < 0.3
    for sign in SHEET.symptoms:
        # A symptom that shows as often by itself as by any cause would tell nothing.
        assert max(k.p for k in SHEET.links if k.symptom == sign.id) >= 3 * sign.leak, sign.id
        if sign.kind == "graded":
            assert sign.much is not None
            assert sign.leak_much is not None
            assert sign.leak_much < sign.much


def test_groups_hold_at_least_two_and_what_they_should() -> None:
    groups: dict[str, set[str]] = {}
    for sign in SHEET.symptoms:
        if sign.group:
            groups.setdefault(sign.group, set()).add(sign.id)
    assert groups["coolant_flow"] == {"W_flow", "R_coolerr"}
    assert groups["gas_flow"] == {"G_still", "G_flowlow", "G_drop", "R_gaserr"}
    assert groups["soot"] == {"N_soot", "E_soot"}
    assert all(len(members) > 1 for members in groups.values())
    # A drip needs the pump on, a track does not: one may be there without the other.
    assert SHEET.symptom("T_drip").group is None


def test_a_melted_ring_is_a_damaged_one() -> None:
    p = {(k.cause, k.symptom): k.p for k in SHEET.links}
    for (cause, sign), melted in p.items():
        if sign == "O_melt":
            assert p[cause, "O_cut"] >= melted, cause


def test_ranges_stand_only_where_a_standard_gives_them() -> None:
    ranged = {r.id for r in SHEET.readings if r.low is not None or r.high is not None}
    assert ranged == {"dew_point", "oil_content"}
    assert (SHEET.reading("dew_point").high, SHEET.reading("oil_content").high) == (3.0, 0.1)


def test_each_symptom_is_fed_by_at_most_one_reading() -> None:
    fed = [{f.symptom for f in r.feeds} for r in SHEET.readings]
    assert sum(len(s) for s in fed) == len(set().union(*fed))


def test_a_reading_is_brought_to_its_unit_and_a_slip_refused() -> None:
    flow = SHEET.reading("coolant_flow")
    assert flow.canonical(1.0, "gal/min") == pytest.approx(3.785411784)
    with pytest.raises(UnitError, match="can't be for 'Coolant flow'"):
        flow.canonical(400, "l/min")
    with pytest.raises(UnitError, match="'bar' measures pressure, 'l/min' measures flow"):
        flow.canonical(4, "bar")
    with pytest.raises(UnitError, match="can't be for 'Plasma gas pressure, gas flowing'"):
        SHEET.reading("gas_flowing").canonical(80, "bar")
    assert SHEET.reading("gas_flowing").canonical(80, "psi") == pytest.approx(5.5158, abs=1e-4)


def test_texts_are_plain_and_name_no_maker() -> None:
    texts = [
        value
        for table in TABLES
        for row in table
        for field, value in row.model_dump().items()
        if isinstance(value, str) and field not in ("id", "cause", "symptom")
    ]
    assert not [t for t in texts if re.search(r"[™®©]|https?:|www\.", t)]
    # A capital in the middle of a sentence would be somebody's name.
    names = {w for t in texts for w in re.findall(r"(?<=[a-z,] )[A-Z][a-z]+", t)}
    assert names == set()


def test_conditions_are_read_and_nonsense_is_refused() -> None:
    assert parse_term("E_deep much").state == "much"
    assert (parse_term("context gas_supply bottled").key, parse_term("context a b").value) == (
        "gas_supply",
        "b",
    )
    for text in ("E_deep", "E_deep maybe", "context gas_supply", "context Gas bottled", ""):
        with pytest.raises(ValueError, match="is no condition"):
            parse_term(text)


def test_an_overlay_replaces_a_row_and_the_hash_covers_it() -> None:
    (text,) = re.findall(r"<!-- overlay -->\n```toml\n(.*?)```", DOCS.read_text("utf-8"), re.DOTALL)
    sheet = load_sheet(base_texts(), {"shop.toml": text})
    assert sheet.reading("coolant_flow").low == 3.5
    (link,) = [k for k in sheet.links_of("gas_wet") if k.symptom == "G_filter"]
    assert link.p == 0.4
    assert (len(sheet.links), len(sheet.readings)) == (len(SHEET.links), len(SHEET.readings))
    assert sheet.sha256 != SHEET.sha256


CAUSE = '[[cause]]\nid = "{i}"\nname = "n"\ntext = "t"\nbase_rate = {r}\nsource = "s"\n'
LINK = '[[link]]\ncause = "{c}"\nsymptom = "{s}"\np = {p}\nsource = "s"\n'
REMEDY = (
    '[[remedy]]\nid = "own"\ncause = "{c}"\ntext = "t"\nminutes = {m}\nisolated = false\n'
    'who = "{w}"\ncaution = "c"\nsource = "s"\n'
)
SYMPTOM = (
    '[[symptom]]\nid = "{i}"\nwhere = "{w}"\ntext = "t"\nkind = "{k}"\nleak = {leak}\n{more}'
    'source = "s"\n'
)
CHECK = (
    '[[check]]\nid = "{i}"\nname = "n"\ntext = "t"\nminutes = 1\nisolated = false\n'
    'who = "technician"\ncaution = "c"\nreveals = [{r}]\nafter = [{a}]\nsource = "s"\n'
)
READING = (
    '[[reading]]\nid = "{i}"\nname = "n"\ntext = "t"\nunit = "{u}"\nu = {un}\n{more}'
    'feeds = [{f}]\nsource = "s"\n'
)
CONFLICT = '[[conflict]]\nid = "x"\nwhen = [{w}]\nsay = "s"\nask = "a"\nsource = "s"\n'
FEED = '{ symptom = "W_flow", beyond = "low" }'


def symptom(
    i: str = "W_own", w: str = "gas", k: str = "plain", leak: str = "0.1", more: str = ""
) -> str:
    return SYMPTOM.format(i=i, w=w, k=k, leak=leak, more=more)


def reading(
    i: str = "own", u: str = "l/min", un: str = "0.1", more: str = "", f: str = FEED
) -> str:
    return READING.format(i=i, u=u, un=un, more=more, f=f)


BROKEN = [
    ("base rate 0", CAUSE.format(i="own", r="0"), "cause 1 (own), line 5", "above 0 and below 1"),
    ("base rate 1", CAUSE.format(i="own", r="1.0"), "can't be learnt", "above 0 and below 1"),
    ("base rate nan", CAUSE.format(i="own", r="nan"), "finite", "plain number"),
    ("base rate text", CAUSE.format(i="own", r='"0.1"'), "'base_rate'", "without quotes"),
    ("base rate true", CAUSE.format(i="own", r="true"), "'base_rate'", "without quotes"),
    ("bad code", CAUSE.format(i="our-own", r="0.1"), "'id'", "single underscores"),
    ("no link", CAUSE.format(i="own", r="0.1"), "'own' makes no symptom", "[[link]]"),
    (
        "no remedy",
        CAUSE.format(i="own", r="0.1") + LINK.format(c="own", s="E_off", p="0.5"),
        "'own' has no remedy",
        "[[remedy]]",
    ),
    ("link 0", LINK.format(c="age", s="N_big", p="0"), "is no link", "above 0, at most 1"),
    ("link over 1", LINK.format(c="age", s="N_big", p="1.2"), "1.2 is no link", "at most 1"),
    (
        "link of an unknown cause",
        LINK.format(c="cool_lo", s="N_big", p="0.2"),
        "link 1 (cool_lo N_big), line 5: 'cool_lo' is no cause",
        "did you mean 'cool_low'",
    ),
    (
        "link of an unknown symptom",
        LINK.format(c="age", s="n_bigg", p="0.2"),
        "'n_bigg' is no symptom",
        "did you mean 'N_big'",
    ),
    ("link twice", LINK.format(c="age", s="N_big", p="0.2") * 2, "stands twice", "keep one"),
    (
        "remedy of an unknown cause",
        REMEDY.format(c="sqare", m="5", w="lead"),
        "'sqare' is no cause",
        "did you mean 'square'",
    ),
    (
        "remedy unless an unknown symptom",
        REMEDY.format(c="age", m="5", w="lead") + 'unless_absent = ["N_bigg"]\n',
        "'N_bigg' is no symptom",
        "did you mean 'N_big'",
    ),
    ("remedy by nobody", REMEDY.format(c="age", m="5", w="smith"), "'who'", "words listed"),
    ("remedy in no time", REMEDY.format(c="age", m="0", w="lead"), "'minutes'", "correct"),
    ("leak 0", symptom(leak="0"), "can't be learnt", "above 0 and below 1"),
    ("leak over 1", symptom(leak="1.5"), "can't be learnt", "above 0 and below 1"),
    ("place", symptom(w="roof"), "'where'", "words listed"),
    ("graded without grades", symptom(k="graded"), "lacks its shares", "add much and leak_much"),
    (
        "grades of a plain one",
        symptom(more="much = 0.5\nleak_much = 0.2\n"),
        "only a graded symptom",
        "take them out",
    ),
    ("tells on nothing", symptom(), "'W_own' tells on no cause", "[[link]]"),
    (
        "no check shows it",
        symptom() + LINK.format(c="age", s="W_own", p="0.5"),
        "no check reveals symptom 'W_own'",
        "'reveals'",
    ),
    (
        "no reading feeds it",
        symptom(k="reading")
        + LINK.format(c="age", s="W_own", p="0.5")
        + CHECK.format(i="K_own", r='"W_own"', a=""),
        "no reading feeds symptom 'W_own'",
        "[[reading]]",
    ),
    (
        "unknown bench finding",
        symptom(more='bench = ["nozzle/sot"]\n'),
        "'nozzle/sot' is no bench finding",
        "did you mean 'nozzle/soot'",
    ),
    (
        "bench finding twice",
        symptom(more='bench = ["nozzle/soot", "nozzle/soot"]\n'),
        "stands twice in 'bench'",
        "keep one",
    ),
    (
        "half of no bench",
        symptom(more="bench_absent = false\n"),
        "tells neither half",
        "fill bench",
    ),
    (
        "group of one",
        symptom(more='group = "alone"\n')
        + LINK.format(c="age", s="W_own", p="0.5")
        + CHECK.format(i="K_own", r='"W_own"', a=""),
        "group 'alone' has only this symptom",
        "the other one too",
    ),
    ("check of nothing", CHECK.format(i="K_own", r="", a=""), "tells nothing", "reveals"),
    (
        "check of the same twice",
        CHECK.format(i="K_own", r='"E_off", "E_off"', a=""),
        "stands twice in 'reveals'",
        "keep one",
    ),
    (
        "check of the unknown",
        CHECK.format(i="K_own", r='"E_of"', a=""),
        "'E_of' is no symptom",
        "did you mean 'E_off'",
    ),
    (
        "after the unknown",
        CHECK.format(i="K_own", r='"E_off"', a='"K_stripp"'),
        "'K_stripp' is no check",
        "did you mean 'K_strip'",
    ),
    (
        "a ring of checks",
        CHECK.format(i="K_a", r='"E_off"', a='"K_b"')
        + CHECK.format(i="K_b", r='"E_off"', a='"K_c"')
        + CHECK.format(i="K_c", r='"E_off"', a='"K_a"'),
        "wait for each other: K_a after K_b after K_c after K_a",
        "out of an 'after'",
    ),
    (
        "after itself",
        CHECK.format(i="K_a", r='"E_off"', a='"K_a"'),
        "K_a after K_a",
        "out of an 'after'",
    ),
    ("unit unknown", reading(u="litres"), "is no unit readings are kept in", "l/min"),
    ("unit not the kept one", reading(u="gal/min"), "is no unit readings are kept in", "l/min"),
    ("u 0", reading(un="0"), "'u'", "correct"),
    ("range upside down", reading(more="low = 5\nhigh = 4\n"), "do not rise", "low below high"),
    ("range flat", reading(more="low = 4\nhigh = 4\n"), "do not rise", "low below high"),
    ("range beyond what can be", reading(more="high = 9\nmost = 8\n"), "do not rise", "below most"),
    ("range inf", reading(more="high = inf\n"), "finite", "plain number"),
    ("feeds nothing", reading(f=""), "'feeds'", "correct"),
    ("feeds twice", reading(f=f"{FEED}, {FEED}"), "fed twice", "keep one"),
    (
        "feeds the unknown",
        reading(f='{ symptom = "W_flaw", beyond = "low" }'),
        "'W_flaw' is no symptom",
        "did you mean 'W_flow'",
    ),
    ("feeds sideways", reading(f='{ symptom = "W_flow", beyond = "side" }'), "beyond", "listed"),
    ("a symptom's id", reading(i="W_flow"), "is a symptom's id too", "its own"),
    ("no condition", CONFLICT.format(w='"E_off maybe"'), "is no condition", "SYMPTOM seen"),
    (
        "condition on the unknown",
        CONFLICT.format(w='"E_ofd seen"'),
        "'E_ofd' is no symptom",
        "did you mean 'E_off'",
    ),
    ("grade of none", CONFLICT.format(w='"E_off much"'), "has no grades", "write 'E_off seen'"),
    (
        "twice conditioned",
        CONFLICT.format(w='"E_off seen", "E_off absent"'),
        "two conditions on the same",
        "keep one",
    ),
    (
        "normal nowhere",
        '[[normal]]\nid = "x"\nwhere = "noozle"\ntext = "t"\nwhy = "w"\nsource = "s"',
        "'where'",
        "words listed",
    ),
]


@pytest.mark.parametrize(
    ("text", "problem", "mend"), [b[1:] for b in BROKEN], ids=[b[0] for b in BROKEN]
)
def test_a_broken_sheet_of_causes_is_refused_with_file_row_and_mend(
    text: str, problem: str, mend: str
) -> None:
    with pytest.raises(SheetError) as caught:
        load_sheet(base_texts(), overlay(text))
    assert caught.value.file == "own.toml"
    assert caught.value.row
    assert problem in str(caught.value)
    assert mend in caught.value.mend


def test_a_base_sheet_without_a_causes_constant_is_refused() -> None:
    texts = dict(base_texts())
    texts["constants.toml"] = texts["constants.toml"].replace('"try-at"', '"try-when"')
    with pytest.raises(SheetError, match="'try-at' is missing"):
        load_sheet(texts)


def test_a_question_on_two_readings() -> None:
    row = (
        '[[conflict]]\nid = "flow-and-level"\nwhen = ["reading {} above {}"]\n'
        'say = "Odd"\nask = "Which?"\nsource = "made up"\n'
    )
    sheet = load_sheet(base_texts(), overlay(row.format("gas_flowing", "gas_static")))
    own = next(c for c in sheet.conflicts if c.id == "flow-and-level")
    assert own.terms[0].above == ("gas_flowing", "gas_static")
    assert own.when_words == "reading gas_flowing above gas_static"
    for words, said in (
        (("gas_flowin", "gas_static"), "gas_flowing"),
        (("gas_flowing", "coolant_flow"), "can't be compared"),
    ):
        with pytest.raises(SheetError, match=said):
            load_sheet(base_texts(), overlay(row.format(*words)))
