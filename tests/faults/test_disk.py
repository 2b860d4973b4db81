"""A full disk: a clear error, nothing lost, and work goes on once there is room."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import event, text

from kit import Floor
from pitwise.records.faults import BookFullError
from pitwise.services import book, drafts, people, setup, signing, views


class Disk:
    """Caps the book's file, so that SQLite answers as it does on a full disk: SQLITE_FULL."""

    def __init__(self, floor: Floor) -> None:
        self.engine = floor.shop.database.engine
        self.listener: Callable[..., None] | None = None

    def leave(self, pages: int) -> None:
        """Leave room for so many pages more than the file has now."""
        if self.listener is not None:
            event.remove(self.engine, "connect", self.listener)
        self.engine.dispose()
        with self.engine.connect() as connection:
            now = connection.exec_driver_sql("PRAGMA page_count").scalar_one()

        def cap(connection: Any, _record: object) -> None:
            connection.execute(f"PRAGMA max_page_count={now + pages}")

        event.listen(self.engine, "connect", cap)
        self.listener = cap
        self.engine.dispose()


def test_full_disk_while_touching_and_signing(lite: Floor) -> None:
    number = lite.draft()
    lite.look_all(number)
    drafts.add_reading(lite.shop, lite.tech, number, "0.5", key=lite.key())
    disk = Disk(lite)
    disk.leave(0)
    with pytest.raises(BookFullError, match="was not saved. Make room"):
        for turn in range(500):
            setup.add_station(lite.shop, lite.lead, name=f"{turn} " + "n" * 70)
    stations = len(setup.shop_list(lite.shop, lite.tech).stations)
    with pytest.raises(BookFullError):
        signing.sign(lite.shop, lite.tech, number, key=lite.key())
    draft = drafts.read_draft(lite.shop, lite.tech, number)
    assert draft.row.state == "draft"
    assert len(draft.looks) == 8
    assert [r.text for r in draft.readings] == ["0.5"]
    assert len(setup.shop_list(lite.shop, lite.tech).stations) == stations
    disk.leave(10_000)
    signing.sign(lite.shop, lite.tech, number, key=lite.key())
    assert views.record(lite.shop, lite.tech, number).record["set"] == "release"
    assert book.verify_book(lite.shop, people.SYSTEM).faults == ()
    with lite.shop.database.read() as session:
        assert session.execute(text("PRAGMA integrity_check")).scalar() == "ok"
