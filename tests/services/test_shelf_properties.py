"""Whatever is done to the shelf in whatever order: the sums come out even."""

from __future__ import annotations

from collections import deque
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    rule,
    run_state_machine_as_test,
)
from sqlalchemy import select

from book_fixture import postgres_url
from kit import Floor, open_floor
from pitwise.records.shelf_tables import Movement
from pitwise.services import shelf_read
from pitwise.services.book import verify_book
from pitwise.services.errors import ConflictError
from pitwise.services.people import SYSTEM
from pitwise.services.shelf_lots import LotMove, remaining
from shelf_kit import WORN, Shelf, shelf_on

# (pieces, lot) of a line, or the place of an earlier line to undo.
LINES = st.lists(
    st.one_of(
        st.tuples(st.integers(-6, 6).filter(bool), st.sampled_from([None, "A", "B", "C"])),
        st.integers(0, 30),
    ),
    max_size=30,
)


def _moves(steps: list[tuple[int, str | None] | int]) -> list[LotMove]:
    out: list[LotMove] = []
    undone: set[int] = set()
    for step in steps:
        ident = len(out) + 1
        if isinstance(step, tuple):
            out.append(LotMove(ident, step[0], step[1], None))
        elif step < len(out) and out[step].reverses is None and out[step].id not in undone:
            undone.add(out[step].id)
            out.append(LotMove(ident, -out[step].pieces, out[step].lot, out[step].id))
    return out


@given(LINES)
def test_lots_sum_to_the_figure(steps: list[tuple[int, str | None] | int]) -> None:
    moves = _moves(steps)
    left = remaining(moves)
    assert sum(n for _, n in left) == max(0, sum(m.pieces for m in moves))
    assert all(n > 0 for _, n in left)
    named = [lot for lot, _ in left if lot is not None]
    assert len(named) == len(set(named))
    assert remaining(reversed(moves)) == left


@given(LINES)
def test_an_undone_line_is_as_if_it_had_never_been(
    steps: list[tuple[int, str | None] | int],
) -> None:
    moves = _moves(steps)
    undone = {m.reverses for m in moves}
    kept = [m for m in moves if m.reverses is None and m.id not in undone]
    assert remaining(moves) == remaining(kept)


@given(st.lists(st.integers(-4, 4).filter(bool), max_size=25))
def test_first_in_is_first_out(pieces: list[int]) -> None:
    """Against a queue of single pieces, each of a lot of its own."""
    queue: deque[str] = deque()
    owed, moves = 0, []
    for number, n in enumerate(pieces, start=1):
        moves.append(LotMove(number, n, f"L{number}" if n > 0 else None, None))
        for _ in range(abs(n)):
            if n > 0 and owed:
                owed -= 1
            elif n > 0:
                queue.append(f"L{number}")
            elif queue:
                queue.popleft()
            else:
                owed += 1
    told = [lot for lot, n in remaining(moves) for _ in range(n)]
    assert told == list(queue)


class _Machine(RuleBasedStateMachine):
    """Everything a shop does to three items, against sums kept on the side."""

    kind = "sqlite"
    folder: Path
    session_folder: Path

    @initialize()
    def open(self) -> None:
        self._context = open_floor(self.kind, self.folder, self.session_folder)
        self.floor: Floor = self._context.__enter__()
        self.shelf: Shelf = shelf_on(self.floor)
        self.held = [self.shelf.electrode, self.shelf.nozzle, self.shelf.kit]
        self.sums = dict.fromkeys(self.held, 0)
        self.last: int | None = None
        self.worn = True

    def teardown(self) -> None:
        if hasattr(self, "_context"):
            assert verify_book(self.floor.shop, SYSTEM).faults == ()
            self._context.__exit__(None, None, None)

    @rule(which=st.integers(0, 2), pieces=st.integers(1, 4), lot=st.sampled_from(["", "A", "B"]))
    def goods_in(self, which: int, pieces: int, lot: str) -> None:
        self.shelf.goods_in(self.held[which], pieces, lot)
        self.sums[self.held[which]] += pieces

    @rule(which=st.integers(0, 2), pieces=st.integers(1, 3))
    def take(self, which: int, pieces: int) -> None:
        item = self.held[which]
        try:
            self.shelf.take(item, pieces)
        except ConflictError:
            assert self.sums[item] < pieces
            return
        assert self.sums[item] >= pieces
        self.sums[item] -= pieces

    @rule(which=st.integers(0, 2), counted=st.integers(0, 5))
    def count(self, which: int, counted: int) -> None:
        self.shelf.count(self.held[which], counted, seen=self.sums[self.held[which]])
        self.sums[self.held[which]] = counted

    @rule(kits=st.integers(1, 2), opened=st.booleans())
    def kits(self, kits: int, opened: bool) -> None:
        electrode, nozzle, kit = self.held
        enough = (
            self.sums[kit] >= kits
            if opened
            else min(self.sums[electrode], self.sums[nozzle]) >= kits
        )
        try:
            (self.shelf.open_kits if opened else self.shelf.pack_kits)(kits)
        except ConflictError:
            assert not enough
            return
        assert enough
        sign = 1 if opened else -1
        for item, way in ((electrode, sign), (nozzle, sign), (kit, -sign)):
            self.sums[item] += way * kits

    @rule(which=st.integers(0, 2), back=st.integers(0, 5))
    def undo(self, which: int, back: int) -> None:
        lines = self.shelf.ledger(self.held[which])
        if back >= len(lines):
            return
        line = lines[back]
        try:
            self.shelf.undo(line.id)
        except ConflictError:
            return
        if not line.kind.startswith("kit-"):
            self.sums[self.held[which]] -= line.pieces
            return
        # What a kit's line moved, the items moved the other way, whichever line was asked.
        kits = line.pieces if which == 2 else -line.pieces
        for item, way in zip(self.held, (1, 1, -1), strict=True):
            self.sums[item] += way * kits

    @rule()
    def inspect(self) -> None:
        electrode, nozzle, kit = self.held
        whole = {i: max(0, self.sums[i]) for i in self.held}
        self.last = self.floor.inspect(seen=WORN)
        self.worn = True
        taken = sum(self.shelf.balance(i) - self.sums[i] for i in (electrode, nozzle))
        opened = self.sums[kit] - self.shelf.balance(kit)
        assert taken == -2 + 2 * opened
        assert opened == 0 or (whole[kit] > 0 and 0 in (whole[electrode], whole[nozzle]))
        self.sums = {i: self.shelf.balance(i) for i in self.held}

    @rule(worn=st.booleans())
    def correct(self, worn: bool) -> None:
        if self.last is None:
            return
        before = dict(self.sums)
        self.last = self.shelf.correct(self.last, worn=worn)
        self.sums = {i: self.shelf.balance(i) for i in self.held}
        pieces = {i: self.sums[i] + self.sums[self.held[2]] for i in self.held[:2]}
        was = {i: before[i] + before[self.held[2]] for i in self.held[:2]}
        # Loose and in kits together: one more of each is there, or as many as before.
        step = int(self.worn) - int(worn)
        assert pieces == {i: n + step for i, n in was.items()}
        self.worn = worn

    @invariant()
    def the_sums_are_even_and_nothing_is_hidden(self) -> None:
        if not hasattr(self, "shelf"):
            return
        with self.floor.shop.database.read() as session:
            assert {
                i: n for i, n in shelf_read.balances(session).items() if i in self.sums
            } == self.sums
            for item in self.held:
                lines = session.scalars(
                    select(Movement).where(Movement.item_id == item).order_by(Movement.id)
                ).all()
                balance, said = 0, False
                for line in lines:
                    balance += line.pieces
                    said = balance < 0 and (said or line.below_zero)
                    assert balance >= 0 or said
                assert sum(n for _, n in shelf_read.lots(session, item)) == max(0, balance)


@pytest.mark.parametrize(("kind", "examples"), [("sqlite", 4), ("postgres", 1)])
def test_any_order_of_edits_and_undos(
    kind: str, examples: int, tmp_path: Path, session_folder: Path
) -> None:
    if kind == "postgres":
        postgres_url()
    machine = type(
        "Machine",
        (_Machine,),
        {"kind": kind, "folder": tmp_path, "session_folder": session_folder},
    )
    steps = settings(max_examples=examples, stateful_step_count=12, deadline=None)
    run_state_machine_as_test(machine, settings=steps)
