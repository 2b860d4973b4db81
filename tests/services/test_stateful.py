"""A stateful test of the records: any order of touches, signatures, corrections and fittings
keeps the book's promises, which are checked against a plain model beside it."""

from __future__ import annotations

import os
import tempfile
from contextlib import ExitStack
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from sqlalchemy import select

from kit import Floor, open_floor
from pitwise.records.tables import Fitting, InspectionRow
from pitwise.services import book, drafts, fittings, people, signing, views
from pitwise.services.errors import ConflictError, ServiceError
from pitwise.trade import base_sheet
from pitwise.trade.model import PART_SLUGS

SHEET = base_sheet()
FINDINGS = sorted({(f.part, f.id) for f in SHEET.findings})
_template_folder = Path(tempfile.mkdtemp(prefix="pitwise-stateful-"))


class BookMachine(RuleBasedStateMachine):
    """Technicians at two torches, doing things in any order."""

    kind = "sqlite"

    def __init__(self) -> None:
        super().__init__()
        self.stack = ExitStack()
        folder = Path(self.stack.enter_context(tempfile.TemporaryDirectory()))
        self.floor: Floor = self.stack.enter_context(
            open_floor(self.kind, folder, _template_folder)
        )
        self.draft: dict[int, int] = {}
        self.correcting: dict[int, int] = {}
        self.seen: dict[int, set[tuple[str, str]]] = {}
        self.looked: dict[int, set[str]] = {}
        self.pit: dict[int, list[str]] = {}
        self.signed: dict[int, str] = {}
        self.last: dict[int, int] = {}
        self.starts = {self.floor.torch: 0, self.floor.other: 0}
        self.shown = {self.floor.torch: 0, self.floor.other: 0}

    def teardown(self) -> None:
        shop = self.floor.shop
        outcome = book.verify_book(shop, people.SYSTEM)
        assert outcome.faults == ()
        assert outcome.inspections == len(self.signed)
        self.stack.close()

    def torch(self, second: bool) -> int:
        return self.floor.other if second else self.floor.torch

    @rule(second=st.booleans())
    def open(self, second: bool) -> None:
        torch = self.torch(second)
        number = self.floor.draft(torch)
        assert number == self.draft.setdefault(torch, number)
        self.seen.setdefault(number, set())
        self.looked.setdefault(number, set())
        self.pit.setdefault(number, [])

    @precondition(lambda self: self.draft)
    @rule(second=st.booleans(), what=st.sampled_from(FINDINGS), on=st.booleans())
    def touch(self, second: bool, what: tuple[str, str], on: bool) -> None:
        number = self.draft.get(self.torch(second))
        if number is None:
            return
        drafts.set_mark(self.floor.shop, self.floor.tech, number, *what, "seen" if on else "none")
        (self.seen[number].add if on else self.seen[number].discard)(what)

    @precondition(lambda self: self.draft)
    @rule(second=st.booleans(), parts=st.sets(st.sampled_from(PART_SLUGS), min_size=3))
    def look(self, second: bool, parts: set[str]) -> None:
        number = self.draft.get(self.torch(second))
        if number is None:
            return
        for slug in parts:
            drafts.set_look(self.floor.shop, self.floor.tech, number, slug, looked=True)
        self.looked[number] |= parts

    @precondition(lambda self: self.draft)
    @rule(second=st.booleans(), hundredths=st.integers(0, 180))
    def gauge(self, second: bool, hundredths: int) -> None:
        number = self.draft.get(self.torch(second))
        if number is None:
            return
        text = f"{hundredths / 100:.2f} mm"
        drafts.add_reading(self.floor.shop, self.floor.tech, number, text, key=self.floor.key())
        self.pit[number].append(text)

    @precondition(lambda self: self.draft)
    @rule(second=st.booleans(), part=st.sampled_from(PART_SLUGS))
    def clear(self, second: bool, part: str) -> None:
        number = self.draft.get(self.torch(second))
        if number is None:
            return
        drafts.clear_part(self.floor.shop, self.floor.tech, number, part)
        self.seen[number] = {x for x in self.seen[number] if x[0] != part}
        self.looked[number].discard(part)
        if part == "electrode":
            self.pit[number] = []

    @precondition(lambda self: self.draft)
    @rule(second=st.booleans(), more=st.integers(0, 300), finish=st.booleans())
    def sign(self, second: bool, more: int, finish: bool) -> None:
        torch = self.torch(second)
        number = self.draft.get(torch)
        if number is None:
            return
        shop, tech = self.floor.shop, self.floor.tech
        self.floor.clock.forward(days=1)
        base = self.shown[torch]
        draft = drafts.set_use(shop, tech, number, starts=str(base + more))
        if finish:
            for slug in PART_SLUGS:
                drafts.set_look(shop, tech, number, slug, looked=True)
                self.looked[number].add(slug)
            if not self.pit[number]:
                drafts.add_reading(shop, tech, number, "0.30 mm", key=self.floor.key())
                self.pit[number].append("0.30 mm")
            for flag in drafts.read_draft(shop, tech, number).decision.open_questions():
                drafts.answer_question(shop, tech, number, flag.code)
        draft = drafts.read_draft(shop, tech, number)
        expected = not draft.obstacles()
        try:
            result = signing.sign(shop, tech, number, key=self.floor.key())
        except ServiceError:
            assert not expected
            return
        assert expected
        record = views.record(shop, tech, number).record
        assert {(p["part"], s["id"]) for p in record["parts"] for s in p["seen"]} == self.seen[
            number
        ]
        assert [r["text"] for r in record["parts"][5]["readings"]] == self.pit[number]
        for part in record["parts"]:
            assert part["action"] == "replace" or part["part"] in self.looked[number]
        self.signed[number] = result.record_sha256
        self.shown[torch] = base + more
        del self.draft[torch]
        self.last[torch] = number
        self.correcting.pop(torch, None)

    @precondition(lambda self: self.last)
    @rule(second=st.booleans())
    def correct(self, second: bool) -> None:
        torch = self.torch(second)
        if torch not in self.last or torch in self.draft:
            return
        old = self.last[torch]
        try:
            number = signing.correct(
                self.floor.shop, self.floor.tech, old, reason="typed wrong", key=self.floor.key()
            )
        except ConflictError:
            return
        self.draft[torch] = number
        self.correcting[torch] = old
        self.seen[number] = set(self.seen[old])
        self.looked[number] = set(self.looked[old])
        self.pit[number] = list(self.pit[old])

    @precondition(lambda self: self.draft)
    @rule(second=st.booleans())
    def discard(self, second: bool) -> None:
        number = self.draft.pop(self.torch(second), None)
        if number is not None:
            drafts.discard_draft(self.floor.shop, self.floor.tech, number)
            self.correcting.pop(self.torch(second), None)

    @rule(second=st.booleans(), part=st.sampled_from(PART_SLUGS))
    def refit(self, second: bool, part: str) -> None:
        torch = self.torch(second)
        if torch in self.draft:
            return
        self.floor.clock.forward(minutes=1)
        tag = next(
            (
                p.tag
                for p in views.torch(self.floor.shop, self.floor.tech, torch).parts
                if p.part == part
            ),
            None,
        )
        if tag is None:
            return
        fittings.remove_part(self.floor.shop, self.floor.tech, torch, part)
        fittings.fit_part(self.floor.shop, self.floor.tech, torch, item_tag=tag)

    @invariant()
    def one_part_in_a_place_and_records_stand(self) -> None:
        with self.floor.shop.database.read() as session:
            open_now = session.execute(
                select(Fitting.torch_id, Fitting.part).where(
                    Fitting.removed_at.is_(None), Fitting.void.is_(False)
                )
            ).all()
            assert len(open_now) == len(set(open_now)) == 16
            hashes = {
                row.id: row.record_sha256
                for row in session.scalars(
                    select(InspectionRow).where(InspectionRow.state == "signed")
                )
            }
        assert hashes == self.signed


class PostgresMachine(BookMachine):
    """The same on PostgreSQL."""

    kind = "postgres"


STEPS = settings(max_examples=12, stateful_step_count=25, deadline=None)


def test_book_on_sqlite() -> None:
    run_state_machine_as_test(BookMachine, settings=STEPS)


@pytest.mark.skipif("PITWISE_TEST_POSTGRES" not in os.environ, reason="no PostgreSQL to test on")
def test_book_on_postgres() -> None:
    run_state_machine_as_test(PostgresMachine, settings=STEPS)
