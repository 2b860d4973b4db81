"""Gauge studies, agreement studies and practice: taken once, hidden until the end, told right."""

from __future__ import annotations

import io
import json
import threading
from collections import Counter
from decimal import Decimal
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from sqlalchemy import select

from kit import Floor
from pitwise.measure.agreement_file import read_counts
from pitwise.measure.depth import parse_depth
from pitwise.measure.gauge import study
from pitwise.measure.gauge_file import read_study
from pitwise.records.photo_tables import AgreementJudgement, GaugeStudyReading, GaugeStudyRow
from pitwise.records.tables import AuditRow, Gauge
from pitwise.services import (
    agreement_results,
    agreement_studies,
    gauge_results,
    gauge_studies,
    practice,
    study_files,
)
from pitwise.services.book_verify import verify_book
from pitwise.services.errors import (
    ConflictError,
    NotAllowedError,
    NotFoundError,
    ServiceError,
)
from pitwise.services.gauge_adopt import adoptable
from pitwise.services.gauge_results import step_of
from pitwise.services.gauge_studies import doubt_of
from pitwise.services.gauge_study_view import Doubt
from pitwise.services.gauge_words import says
from pitwise.services.permissions import Actor
from pitwise.services.practice import Share
from pitwise.services.practice_scenes import KINDS, LEVELS, scene_of
from pitwise.services.study_order import Slot, complete_block, next_slot, slots_of

WHO = ("Tom Reed", "Ada Quill")


def started(floor: Floor, *, parts: int = 3, trials: int = 2, **more: object) -> int:
    values = {"name": "Before the audit", "gauge_id": 1, "unit": "mm", "people": WHO, **more}
    return gauge_studies.start(
        floor.shop,
        floor.tech,
        key=floor.key(),
        parts=parts,
        trials=trials,
        order_seed=7,
        **values,  # type: ignore[arg-type]
    )


def take(floor: Floor, number: int, slot: Slot, typed: str, **more: object) -> Doubt | int:
    values = {"key": floor.key(), **more}
    return gauge_studies.take(
        floor.shop,
        floor.tech,
        number,
        slot,
        typed,
        **values,  # type: ignore[arg-type]
    )


def depth(slot: Slot) -> str:
    """A reading: parts 0.3 mm apart, people 0.02 mm, rounds 0.01 mm."""
    return f"{0.3 * slot.part + 0.02 * slot.person + 0.01 * (slot.trial % 2):.2f}"


def fill(floor: Floor, number: int, *, but: int = 0) -> None:
    """Take readings in order until all, or all but so many, are in."""
    while True:
        view = gauge_studies.view(floor.shop, floor.tech, number)
        if view.total - len(view.taken) <= but or view.slot is None:
            return
        take(floor, number, view.slot, depth(view.slot))


@given(
    st.integers(0, 2**31),
    st.integers(1, 4),
    st.integers(2, 9),
    st.integers(2, 4),
)
def test_the_order_is_crossed_and_nobody_gets_a_part_twice_running(
    seed: int, people: int, parts: int, trials: int
) -> None:
    order = slots_of(seed, people, parts, trials)
    assert len(set(order)) == len(order) == people * parts * trials
    assert order == slots_of(seed, people, parts, trials)
    assert [s.trial for s in order] == sorted(s.trial for s in order)
    for person in range(people):
        own = [s.part for s in order if s.person == person]
        assert all(a != b for a, b in pairwise(own))


def test_another_seed_gives_another_order() -> None:
    assert slots_of(1, 3, 10, 3) != slots_of(2, 3, 10, 3)


def test_skipped_readings_come_again_at_the_end() -> None:
    order = slots_of(3, 1, 3, 2)
    assert next_slot(order, {order[0]}, skipped=(1,)) == (2, order[2])
    assert next_slot(order, {*order} - {order[1], order[4]}, skipped=(4, 1)) == (4, order[4])
    assert next_slot(order, set(order)) is None


@given(st.sets(st.integers(0, 23)))
def test_a_complete_block_is_complete_and_drops_no_more_than_it_must(missing: set[int]) -> None:
    order = slots_of(5, 2, 4, 3)
    taken = {s for k, s in enumerate(order) if k not in missing}
    block = complete_block(taken, 2, 4, 3)
    if not missing:
        assert block is not None
        assert block.readings == 24
    if block is None:
        return
    assert len(block.parts) >= 2
    assert {
        Slot(p, part, t)
        for p in block.people
        for part in block.parts
        for t in range(1, block.trials + 1)
    } <= taken


def test_a_study_from_first_reading_to_the_gauges_u(floor: Floor) -> None:
    number = started(floor, tolerance="1.0 mm")
    fill(floor, number, but=1)
    with pytest.raises(ConflictError, match="finish it first"):
        gauge_results.result(floor.shop, floor.lead, number)
    with pytest.raises(ServiceError, match="reason to end it early"):
        gauge_results.finish(floor.shop, floor.tech, number)
    fill(floor, number)
    gauge_results.finish(floor.shop, floor.tech, number)
    told = gauge_results.result(floor.shop, floor.tech, number)
    cube = np.array(
        [
            [[float(depth(Slot(who, part, t))) for t in (1, 2)] for part in (1, 2, 3)]
            for who in (0, 1)
        ]
    )
    assert told.values == pytest.approx(cube)
    assert told.anova.gauge.sd == pytest.approx(study(cube, tolerance=1.0).gauge.sd)
    assert told.u_mm == pytest.approx(told.anova.gauge.sd)
    assert (told.left_out, told.step) == ("", 0.01)
    # A technician may not set the gauge; a lead may, and puts it back again.
    with pytest.raises(NotAllowedError):
        gauge_results.adopt(floor.shop, floor.tech, number)
    with pytest.raises(ConflictError, match=r"0\.02 mm since"):
        gauge_results.adopt(floor.shop, floor.lead, number, shown_u_mm=0.5)
    u_mm = gauge_results.adopt(floor.shop, floor.lead, number, shown_u_mm=0.02)
    assert gauge_results.adopt(floor.shop, floor.lead, number) == u_mm
    with floor.shop.database.read() as session:
        gauge = session.get_one(Gauge, 1)
        # Two people: the spread between them is known roughly, so its upper end is taken.
        assert told.adoptable.upper
        assert told.anova.gauge.high is not None
        assert gauge.u_mm == pytest.approx(told.anova.gauge.high, rel=5e-3)
        assert "upper end" in gauge.source
        assert f"gauge study {number}, 'Before the audit'" in gauge.source
        assert "3 parts × 2 people × 2 rounds" in gauge.source
        rows = session.scalars(select(AuditRow).where(AuditRow.action == "gauge-u-adopted")).all()
    assert len(rows) == 1
    assert json.loads(rows[0].detail)["before"] == 0.02
    with pytest.raises(ConflictError, match="rests on it"):
        gauge_results.discard(floor.shop, floor.lead, number, reason="wrong parts")
    adoption = gauge_results.result(floor.shop, floor.tech, number).adoption
    assert adoption is not None
    assert (adoption.before_mm, adoption.before_source, adoption.holds) == (0.02, "our study", True)
    assert gauge_results.put_back(floor.shop, floor.lead, number) == 0.02
    with pytest.raises(ConflictError, match="nothing to put back"):
        gauge_results.put_back(floor.shop, floor.lead, number)
    gauge_results.discard(floor.shop, floor.lead, number, reason="wrong parts")
    assert verify_book(floor.shop, floor.lead).faults == ()


@pytest.mark.parametrize(
    ("people", "parts", "words"),
    [(4, 2, "2 parts is too small"), (1, 3, "one person measured"), (4, 10, "any of these people")],
)
def test_a_small_study_sets_no_u_or_the_upper_end(people: int, parts: int, words: str) -> None:
    rng = np.random.default_rng(3)
    x = rng.normal(0, 0.3, (1, parts, 1)) + rng.normal(0, 0.01, (people, parts, 3))
    found = study(x)
    got = adoptable(found, 0.0, 1.0)
    assert words in got.problem + got.why
    if people == 4 and parts == 10:
        assert got.u_mm == pytest.approx(found.gauge.sd, rel=5e-3)
        assert got.asks(0.02)
        assert not got.asks(0.011)
    elif got.u_mm is not None:
        assert found.gauge.high is not None
        assert got.u_mm == pytest.approx(found.gauge.high, rel=5e-3)
    assert not any("(enough)" in line for line in says(found, "mm")) or parts == 10


def test_a_u_that_falls_far_is_asked_about(lite: Floor) -> None:
    rng = np.random.default_rng(5)
    x = rng.uniform(0.3, 1.2, (1, 8, 1)) + rng.normal(0, 0.003, (3, 8, 3))
    rows = [
        f"{p + 1},{w},{t},{x[w, p, t]:.4f} mm" for w in range(3) for p in range(8) for t in range(3)
    ]
    text = "\n".join(["part,person,trial,value", *rows])
    number = study_files.import_study(
        lite.shop, lite.tech, "x.csv", text.encode(), key=lite.key(), name="x", gauge_id=1
    )
    with pytest.raises(ConflictError, match=r"would fall from 0\.02 mm to 0\.00"):
        gauge_results.adopt(lite.shop, lite.lead, number)
    assert gauge_results.adopt(lite.shop, lite.lead, number, sure=True) < 0.005


def test_one_key_is_one_reading_and_two_tablets_do_not_collide(floor: Floor) -> None:
    number = started(floor)
    slot = slots_of(7, 2, 3, 2)[0]
    key = floor.key()
    first = take(floor, number, slot, "0.41", key=key)
    assert take(floor, number, slot, "0.41", key=key) == first
    with pytest.raises(ConflictError, match="another reading"):
        take(floor, number, slot, "0.42", key=key)
    with pytest.raises(ConflictError, match="another tablet"):
        take(floor, number, slot, "0.42")
    # Two people, two tablets, at once: each has their own order.
    views = [gauge_studies.view(floor.shop, floor.tech, number, who=k) for k in (0, 1)]
    slots = [v.slot for v in views]
    assert all(s is not None and s.person == k for k, s in enumerate(slots))
    problems: list[ServiceError] = []

    def run(slot: Slot) -> None:
        try:
            take(floor, number, slot, depth(slot))
        except ServiceError as error:
            problems.append(error)

    threads = [threading.Thread(target=run, args=(s,)) for s in (*slots, *slots)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    # Of each pair one is kept and one is told so.
    assert [type(p) for p in problems] == [ConflictError] * 2
    with floor.shop.database.read() as session:
        kept = session.scalars(select(GaugeStudyReading)).all()
    assert len({(r.person, r.part, r.trial) for r in kept}) == len(kept) == 3


def test_a_reading_is_taken_out_by_whoever_entered_it(lite: Floor) -> None:
    number = started(lite)
    slot = slots_of(7, 2, 3, 2)[0]
    reading = take(lite, number, slot, "0.41")
    assert isinstance(reading, int)
    view = gauge_studies.view(lite.shop, lite.tech, number)
    assert view.last is not None
    assert view.last.slot == slot
    assert gauge_studies.view(lite.shop, lite.lead, number).last is None
    other = Actor(lite.admin.person_id, "Ada Quill", "technician")
    with pytest.raises(ConflictError, match="somebody else"):
        gauge_studies.take_out(lite.shop, other, number, reading)
    for _ in range(2):
        assert gauge_studies.take_out(lite.shop, lite.tech, number, reading) == slot
    assert gauge_studies.view(lite.shop, lite.tech, number).slot == slot
    take(lite, number, slot, "0.44")
    fill(lite, number)
    gauge_results.finish(lite.shop, lite.tech, number)
    with pytest.raises(ConflictError):
        gauge_studies.take_out(lite.shop, lite.tech, number, reading)
    values = gauge_results.result(lite.shop, lite.tech, number).values
    assert values[slot.person, slot.part - 1, slot.trial - 1] == 0.44


@pytest.mark.parametrize(
    ("typed", "others", "asks"),
    [
        ("57", [], "57 thou"),
        ("0.45", [], None),
        ("1.2", [0.4, 0.9], None),
        ("57", [0.4, 0.9], "57 thou"),
        ("14.5", [0.4, 1.4], "slip of the finger"),
        ("0.05", [0.4, 0.9], "0.05 in"),
        ("0.02", [0.4, 0.9], "0.02 in"),
        ("0.06 in", [0.4, 0.9], None),
        ("1.45 in", [0.4, 1.5], "1.45 mm"),
        ("0", [0.4, 0.9], "slip of the finger"),
        ("0", [0.0, 0.9], None),
    ],
)
def test_slips_are_asked_about(typed: str, others: list[float], asks: str | None) -> None:
    text = doubt_of(parse_depth(typed), [Decimal(str(x)) for x in others], Decimal(4))
    if asks is None:
        assert text is None
    else:
        assert text is not None
        assert asks in text
        assert not any(f"{x}" in text for x in others if x)


def test_a_doubted_reading_is_kept_only_when_it_is_so(lite: Floor) -> None:
    number = started(lite)
    slot = slots_of(7, 2, 3, 2)[0]
    doubt = take(lite, number, slot, "57")
    assert isinstance(doubt, Doubt)
    assert gauge_studies.view(lite.shop, lite.tech, number).taken == frozenset()
    assert isinstance(take(lite, number, slot, "57", sure=True), int)
    with lite.shop.database.read() as session:
        row = session.scalars(select(GaugeStudyReading)).one()
        assert (row.text, row.value, row.unit) == ("57", 57.0, "mm")
        detail = session.scalars(
            select(AuditRow.detail).where(AuditRow.action == "gauge-study-reading")
        ).one()
    assert "57 thou" in json.loads(detail)["asked"]


def test_ending_early_says_what_is_left_out(lite: Floor) -> None:
    number = started(lite, trials=3)
    fill(lite, number, but=2)
    gauge_results.finish(lite.shop, lite.tech, number, reason="Ada was called away")
    told = gauge_results.result(lite.shop, lite.tech, number)
    assert told.left_out
    assert told.values.size < 18
    assert np.isfinite(told.values).all()
    lines = study_files.study_csv(lite.shop, lite.tech, number).splitlines()
    assert len(lines) == 1 + told.values.size


def test_too_little_tells_nothing(lite: Floor) -> None:
    number = started(lite)
    fill(lite, number, but=8)
    with pytest.raises(ServiceError, match="two parts"):
        gauge_results.finish(lite.shop, lite.tech, number, reason="no time")
    gauge_results.discard(lite.shop, lite.tech, number, reason="no time")
    with pytest.raises(ConflictError, match="discarded"):
        take(lite, number, slots_of(7, 2, 3, 2)[-1], "0.4")


def test_a_gauge_with_coarse_steps_gets_no_less_than_its_rounding(lite: Floor) -> None:
    number = started(lite, parts=4)
    for slot in slots_of(7, 2, 4, 2):
        take(lite, number, slot, f"{0.25 * slot.part:.2f}")
    gauge_results.finish(lite.shop, lite.tech, number)
    told = gauge_results.result(lite.shop, lite.tech, number)
    assert told.anova.gauge.sd == pytest.approx(0, abs=1e-12)
    assert told.by_rounding
    assert told.u_mm == pytest.approx(0.25 / 12**0.5)
    assert "too coarse" in told.advice[0]


@pytest.mark.parametrize(
    ("values", "step"),
    [(("1.45", "1.40", "0.95"), 0.05), (("1.45", "1.46"), 0.01), (("57", "40"), 17), ((), 0)],
)
def test_steps_are_told_from_the_readings(values: tuple[str, ...], step: float) -> None:
    assert step_of([Decimal(v) for v in values]) == pytest.approx(step)


def test_other_units_meet_exactly(lite: Floor) -> None:
    number = started(lite, unit="thou", parts=2)
    for slot, typed in zip(
        slots_of(7, 2, 2, 2),
        ("20", "0.6 mm", "0.021 in", "24", "20.5", "23", "21", "22"),
        strict=True,
    ):
        take(lite, number, slot, typed)
    gauge_results.finish(lite.shop, lite.tech, number)
    told = gauge_results.result(lite.shop, lite.tech, number)
    second = slots_of(7, 2, 2, 2)[1]
    there = told.values[second.person, second.part - 1, second.trial - 1]
    assert there == pytest.approx(0.6 / 0.0254, rel=1e-12)
    assert told.u_mm == pytest.approx(told.u * 0.0254)


@pytest.mark.parametrize(
    ("field", "value", "problem"),
    [
        ("parts", 1, "out of range"),
        ("parts", 51, "out of range"),
        ("trials", 1, "out of range"),
        ("people", (), "0 are named"),
        ("people", ("Ada", "ada"), "twice"),
        ("people", tuple("abcdefghi"), "9 are named"),
        ("unit", "km", "not a unit"),
        ("gauge_id", 99, "no gauge 99"),
        ("tolerance", "wide", "can't read"),
        ("tolerance", "0 mm", "is nothing"),
        ("tolerance", "abc", "as a width.*1.0 mm"),
        ("tolerance", "-1", "below zero.*upper less lower"),
        ("name", " ", "is empty"),
    ],
)
def test_a_study_that_can_not_be_is_refused(
    lite: Floor, field: str, value: object, problem: str
) -> None:
    with pytest.raises(ServiceError, match=problem):
        started(lite, **{field: value})  # type: ignore[arg-type]
    with lite.shop.database.read() as session:
        assert session.scalars(select(GaugeStudyRow)).all() == []


def test_out_as_a_file_and_in_again(floor: Floor) -> None:
    number = started(floor)
    fill(floor, number)
    gauge_results.finish(floor.shop, floor.tech, number)
    text = study_files.study_csv(floor.shop, floor.tech, number)
    read = read_study(text)
    told = gauge_results.result(floor.shop, floor.tech, number)
    key = floor.key()
    more = {"key": key, "name": "again", "gauge_id": None}
    copies = [
        study_files.import_study(floor.shop, floor.tech, "../x.csv", text.encode(), **more)  # type: ignore[arg-type]
        for _ in range(2)
    ]
    assert copies[0] == copies[1]
    copy = gauge_results.result(floor.shop, floor.tech, copies[0])
    assert read.unit == "mm"
    assert copy.anova.gauge.sd == pytest.approx(told.anova.gauge.sd, rel=1e-9)
    assert sorted(copy.people) == sorted(told.people)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "x.csv"),
        ("part,person,trial\n1,a,1\n", "x.csv"),
        ("part,person,trial,value\n1,a,1,0.4\n1,a,2,deep\n", "line 3"),
        ("part,person,trial,value\n1,a,1,0.4\n1,a,1,0.5\n", "line 2 too"),
        ("part,person,trial,value\n1,a,1,0.4\n2,a,1,0.5\n1,a,2,0.4\n", "1 readings are missing"),
        (
            "part,person,trial,value\n1,a,1,-0.4\n2,a,1,0.5\n1,a,2,0.4\n2,a,2,0.4\n",
            "line 2.*below zero",
        ),
        ("part,person,trial,value\n1,a,1,0.4\n2,a,1,1e308\n1,a,2,0.4\n2,a,2,0.4\n", "line 3"),
        ("part,person,trial,value\n1,a,1,0.4\n2,a,1,1e-300\n1,a,2,0.4\n2,a,2,0.4\n", "line 3"),
        (
            "part,person,trial,value\n1,a,1,0.4\n2,a,1,1e7\n1,a,2,0.4\n2,a,2,0.4\n",
            "line 3.*1e\\+07",
        ),
        ("part,person,trial,value\n1,a,1,0.4\n2,a,1,1e-9\n1,a,2,0.4\n2,a,2,0.4\n", "line 3.*1e-09"),
    ],
)
def test_a_file_that_is_no_study_is_refused(lite: Floor, text: str, problem: str) -> None:
    with pytest.raises(ServiceError, match=problem):
        study_files.import_study(
            lite.shop, lite.tech, "x.csv", text.encode(), key=lite.key(), name="x", gauge_id=1
        )
    with pytest.raises(ServiceError, match="UTF-8"):
        study_files.import_study(
            lite.shop, lite.tech, "x.csv", b"\xff\xfe1", key=lite.key(), name="x", gauge_id=1
        )


def test_no_name_in_a_file_is_run_as_a_formula(lite: Floor) -> None:
    number = started(lite, people=("=1+1", "Tom"))
    fill(lite, number)
    gauge_results.finish(lite.shop, lite.tech, number)
    assert ",'=1+1," in study_files.study_csv(lite.shop, lite.tech, number)


def judged(
    floor: Floor, actor: Actor, number: int, specimen: int, action: str = "keep", *seen: str
) -> int:
    return agreement_studies.judge(
        floor.shop, actor, number, specimen, key=floor.key(), seen=seen, action=action
    )


def agreement(floor: Floor, specimens: int = 4) -> int:
    return agreement_studies.start(
        floor.shop,
        floor.tech,
        key=floor.key(),
        name="Both shifts",
        part="nozzle",
        specimens=specimens,
    )


def test_one_finding_on_one_specimen_is_said_to_tell_nothing(
    lite: Floor,
) -> None:
    number = agreement(lite)
    for actor in (lite.tech, lite.lead):
        for specimen in range(1, 5):
            seen = ("scale",) if actor is lite.lead and specimen == 2 else ()
            judged(lite, actor, number, specimen, "clean" if specimen == 2 else "keep", *seen)
    agreement_results.finish(lite.shop, lite.tech, number)
    told = agreement_results.result(lite.shop, lite.tech, number)
    rare = next(f for f in told.findings if f.of == "scale")
    assert rare.rare
    assert rare.kappa is not None
    assert rare.kappa.high - rare.kappa.low > 0.5
    assert "so rare" in told.says[0]


def test_an_agreement_study_tells_where_people_differ(floor: Floor) -> None:
    number = agreement(floor)
    people = (floor.tech, floor.lead, floor.admin)
    for actor in people[:2]:
        for specimen in range(1, 5):
            seen = ("orifice-nicked",) if specimen < 3 else ()
            if actor is floor.lead and specimen > 1:
                seen = (*seen, "scale")
            judged(floor, actor, number, specimen, "replace" if specimen < 3 else "keep", *seen)
    # Who has not judged all is not in it, and said so.
    judged(floor, floor.admin, number, 1, "clean")
    with pytest.raises(ConflictError, match="finish it first"):
        agreement_results.result(floor.shop, floor.lead, number)
    own = agreement_studies.view(floor.shop, floor.admin, number)
    assert [(j.specimen, j.action) for j in own.mine] == [(1, "clean")]
    agreement_results.finish(floor.shop, floor.tech, number)
    told = agreement_results.result(floor.shop, floor.tech, number)
    assert told.people == ("Tom Reed", "Lin Ödegård")
    assert told.left_out == ("Ada Quill",)
    assert told.action.kappa is not None
    assert told.action.kappa.kappa == 1
    worst, second = told.findings[:2]
    assert (worst.of, worst.apart, worst.apart_on) == ("scale", 0.75, (2, 3, 4))
    assert (second.of, second.apart) == ("orifice-nicked", 0.0)
    assert second.kappa is not None
    assert second.kappa.kappa == 1
    assert not worst.rare
    assert not second.rare
    crack = next(f for f in told.findings if f.of == "crack")
    assert crack.kappa is None
    assert "nobody saw it" in crack.refusal
    assert [s.specimen for s in told.specimens] == [2, 3, 4]
    text = agreement_results.table_csv(floor.shop, floor.tech, number, "orifice-nicked")
    counts, names = read_counts(text)
    assert tuple(names) == ("seen", "absent")
    assert counts.tolist() == [[2, 0], [2, 0], [0, 2], [0, 2]]
    with pytest.raises(NotFoundError, match="did you mean"):
        agreement_results.table_csv(floor.shop, floor.tech, number, "orifice-nick")
    with pytest.raises(ConflictError, match="closed"):
        judged(floor, floor.admin, number, 2)
    assert verify_book(floor.shop, floor.lead).faults == ()


def test_one_judgement_each_set_right_by_oneself(lite: Floor) -> None:
    number = agreement(lite)
    key = lite.key()
    given = {"seen": ("crack",), "action": "replace"}
    for _ in range(2):
        agreement_studies.judge(lite.shop, lite.tech, number, 1, key=key, **given)  # type: ignore[arg-type]
    with pytest.raises(ConflictError, match="another judgement"):
        agreement_studies.judge(lite.shop, lite.lead, number, 1, key=key, **given)  # type: ignore[arg-type]
    with pytest.raises(ConflictError, match="judged it already"):
        judged(lite, lite.tech, number, 1)
    agreement_studies.judge(
        lite.shop, lite.tech, number, 1, key=lite.key(), seen=(), action="keep", again=True
    )
    view = agreement_studies.view(lite.shop, lite.tech, number, specimen=1)
    assert view.judged is not None
    assert (view.judged.action, view.judged.seen) == ("keep", frozenset())
    with pytest.raises(NotFoundError, match="finding of this part"):
        judged(lite, lite.tech, number, 2, "keep", "pit-ragged-x")
    with pytest.raises(ServiceError, match="touch one"):
        judged(lite, lite.tech, number, 2, "paint")
    with pytest.raises(NotFoundError):
        judged(lite, lite.tech, number, 5)
    for specimen in (2, 3, 4):
        judged(lite, lite.tech, number, specimen)
    with pytest.raises(ServiceError, match="only one person"):
        agreement_results.finish(lite.shop, lite.tech, number)


def test_everyone_has_their_own_order_and_everybody_alike_is_a_refusal(lite: Floor) -> None:
    number = agreement(lite, 12)
    with lite.shop.database.read() as session:
        row = agreement_studies.agreement_row(session, number)
        orders = [agreement_studies.order_for(row, who) for who in (1, 2, 3)]
    assert len({tuple(o) for o in orders}) == 3
    assert {tuple(sorted(o)) for o in orders} == {tuple(range(1, 13))}
    first = agreement_studies.view(lite.shop, lite.tech, number)
    assert first.specimen is not None
    put_off = agreement_studies.view(lite.shop, lite.tech, number, skipped=(first.specimen,))
    assert put_off.specimen != first.specimen
    for actor in (lite.tech, lite.lead):
        for specimen in range(1, 13):
            judged(lite, actor, number, specimen)
    agreement_results.finish(lite.shop, lite.lead, number)
    told = agreement_results.result(lite.shop, lite.lead, number)
    assert told.action.kappa is None
    assert "everyone said keep" in told.action.refusal
    assert told.specimens == ()


@pytest.mark.parametrize("level", [level.id for level in LEVELS])
def test_specimens_are_repeatable_and_of_every_kind(level: str) -> None:
    kinds = Counter(scene_of(seed, level)[1] for seed in range(16))
    assert set(kinds) == set(KINDS)
    scene_of.cache_clear()
    assert scene_of(3, level) == scene_of(3, level)


def test_practice_is_judged_once_and_ones_own(lite: Floor) -> None:
    shop, tech = lite.shop, lite.tech
    one = practice.next_specimen(shop, tech, "beginner")
    assert practice.next_specimen(shop, tech, "beginner") == one
    assert practice.next_specimen(shop, lite.lead, "beginner").seed != one.seed
    kind = scene_of(one.seed, "beginner")[1]
    key = lite.key()
    answer = {"level": "beginner", "seed": one.seed, "said": kind}
    number = practice.judge(shop, tech, key=key, **answer)  # type: ignore[arg-type]
    assert practice.judge(shop, tech, key=key, **answer) == number  # type: ignore[arg-type]
    # Another answer after the truth was seen counts for nothing.
    late = answer | {"said": next(k for k in KINDS if k != kind)}
    assert practice.judge(shop, tech, key=lite.key(), **late) == number  # type: ignore[arg-type]
    told = practice.read_try(shop, tech, number)
    assert (told.right, told.kind, told.said) == (True, kind, kind)
    assert len(told.words) == 3
    with pytest.raises(NotFoundError):
        practice.read_try(shop, lite.lead, number)
    with pytest.raises(NotFoundError):
        practice.try_picture(shop, lite.admin, number, "whole")
    with pytest.raises(ServiceError, match="not yours"):
        practice.judge(shop, tech, key=lite.key(), level="beginner", seed=5, said="round")
    with pytest.raises(NotFoundError):
        practice.next_specimen(shop, tech, "expert")
    record = practice.record(shop, tech)
    assert (record.all.right, record.all.tries) == (1, 1)
    assert practice.record(shop, lite.lead).all.tries == 0


def test_ten_right_lead_on_to_the_next_level(lite: Floor) -> None:
    for k in range(10):
        one = practice.next_specimen(lite.shop, lite.tech, "beginner")
        kind = scene_of(one.seed, "beginner")[1]
        said = kind if k % 5 else next(x for x in KINDS if x != kind)
        practice.judge(
            lite.shop, lite.tech, key=lite.key(), level="beginner", seed=one.seed, said=said
        )
    record = practice.record(lite.shop, lite.tech)
    assert (record.all.right, record.all.tries) == (8, 10)
    assert record.next_level == LEVELS[1]
    assert sum(s.tries for s in record.by_kind) == 10
    assert record.over_time[0].name == "1 to 10"


def test_the_intervals_of_shares() -> None:
    # Wilson's interval of 8 in 10, by hand: (0.4902, 0.9433).
    assert Share("x", 8, 10).ends == pytest.approx((0.4902, 0.9433), abs=1e-4)
    assert Share("x", 0, 0).ends == (0.0, 1.0)
    assert Share("x", 5, 5).ends[1] == 1.0


def test_pictures_say_that_they_are_rendered(lite: Floor) -> None:
    one = practice.next_specimen(lite.shop, lite.tech, "beginner")
    picture = practice.picture(lite.shop, lite.tech, "beginner", one.seed)
    assert picture[:3] == b"\xff\xd8\xff"
    assert practice.picture(lite.shop, lite.tech, "beginner", one.seed) == picture
    with pytest.raises(NotFoundError):
        practice.picture(lite.shop, lite.lead, "beginner", one.seed)
    pixels = np.asarray(Image.open(io.BytesIO(picture)).convert("L"))
    band = pixels[-44:]
    # A dark band with light letters in it, over most of its width.
    assert np.median(band) < 40
    lettered = band.max(axis=0) > 200
    assert lettered[: band.shape[1] // 2].mean() > 0.3


def test_a_finished_study_that_was_changed_is_found(floor: Floor) -> None:
    number = started(floor)
    fill(floor, number)
    assert verify_book(floor.shop, floor.lead).faults == ()
    gauge_results.finish(floor.shop, floor.tech, number)
    other = agreement(floor, 2)
    for actor in (floor.tech, floor.lead):
        for specimen in (1, 2):
            judged(floor, actor, other, specimen, "keep" if specimen == 1 else "clean")
    agreement_results.finish(floor.shop, floor.tech, other)
    assert verify_book(floor.shop, floor.lead).faults == ()
    with floor.shop.database.write() as session:
        session.scalars(select(GaugeStudyReading)).first().text = "9.99"  # type: ignore[union-attr]
        row = session.get_one(AgreementJudgement, 1)
        row.body = row.body.replace("keep", "replace")
    found = {(f.table, f.row) for f in verify_book(floor.shop, floor.lead).faults}
    assert found == {("gauge_study", "id 1"), ("agreement_study", "id 1")}
