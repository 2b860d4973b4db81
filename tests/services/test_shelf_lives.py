"""What lives say of how soon the next parts go."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from kit import Floor
from pitwise.services.life_book import PartLife, part_lives
from pitwise.services.shelf_lives import EARLY_BEFOREHAND, demand_lives, life_of_type
from pitwise.shelf.torch_load import Counted, LifeBelief


@pytest.fixture
def ring(lite: Floor) -> PartLife:
    """A swirl ring in use."""
    with lite.shop.database.read() as session:
        return next(p for p in part_lives(session) if p.part == "swirl-ring")


def lives(ring: PartLife, ended: int, running: int = 1) -> list[PartLife]:
    random = np.random.default_rng(3)
    at = ring.fitted_at + dt.timedelta(days=30)
    return [
        replace(
            ring,
            item_id=k,
            starts=int(1000 * random.weibull(3.0)) + 1,
            ended_at=at if k < ended else None,
            end="worn" if k < ended else "running",
            reasons=("cracked",) if k < ended else (),
            inspection_id=k if k < ended else None,
        )
        for k in range(ended + running)
    ]


def test_few_ends_are_counted_and_many_make_a_life(ring: PartLife) -> None:
    few, words = life_of_type(lives(ring, 4))
    assert isinstance(few, Counted)
    assert few.ends == 4.5
    assert "from 4 ends in" in words
    assert "too few" in words
    many, words = life_of_type(lives(ring, 60, 5))
    assert isinstance(many, LifeBelief)
    assert many.scale == pytest.approx(1000, rel=0.2)
    assert many.shape == pytest.approx(3, rel=0.35)
    assert "from 60 lives" in words


def test_lives_all_alike_are_counted(ring: PartLife) -> None:
    same = [replace(x, starts=500) for x in lives(ring, 8, 0)]
    found, words = life_of_type(same)
    assert found == Counted(8.5, 6000.0)
    assert "too few" not in words


def test_nothing_known_leaves_what_was_believed_beforehand() -> None:
    assert life_of_type([])[0] == Counted(0.5, 2000.0)


def test_a_part_taken_out_by_hand_took_no_new_one(ring: PartLife) -> None:
    own = [replace(x, reasons=("taken-out",), end="changed") for x in lives(ring, 3, 0)]
    found, _ = life_of_type(own)
    assert isinstance(found, Counted)
    assert found.ends == 0.5


def test_changes_of_the_set_are_told_apart(lite: Floor) -> None:
    # At the limit; then for a finding on the nozzle, which takes the electrode along.
    lite.inspect("1.60 mm", starts="500", minutes="250")
    finding = next(f.id for f in lite.shop.base.findings_of("nozzle") if f.action == "replace")
    lite.inspect("0.20 mm", starts="700", minutes="350", seen=(("nozzle", finding),))
    with lite.shop.database.read() as session:
        every = part_lives(session)
    electrode = next(p.part_type_id for p in every if p.part == "electrode")
    found = demand_lives(every)
    # Counters were first read at 500: what was before nobody knows.
    starts = sum(p.starts for p in every if p.part == "electrode")
    assert found.early[electrode] == Counted(
        1 + EARLY_BEFOREHAND.ends, starts + EARLY_BEFOREHAND.starts
    )
    assert found.alone == {}
