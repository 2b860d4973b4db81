"""A shelf for tests: every part type in use kept, with a kit of electrode and nozzle."""

from __future__ import annotations

from dataclasses import dataclass

from kit import Floor
from pitwise.services import (
    drafts,
    shelf_items,
    shelf_ledger,
    shelf_movements,
    shelf_read,
    shelf_undo,
    signing,
)
from pitwise.services.permissions import Actor
from pitwise.services.shelf_model import ItemLine, MovementLine

WORN = (("nozzle", "arc-marks"),)


@dataclass
class Shelf:
    """The floor's shelf; items by the part they are."""

    floor: Floor
    items: dict[str, int]
    kit: int

    @property
    def nozzle(self) -> int:
        return self.items["nozzle"]

    @property
    def electrode(self) -> int:
        return self.items["electrode"]

    def goods_in(self, item: int, pieces: int, lot: str = "", **more: object) -> int:
        given: dict[str, object] = {"actor": self.floor.tech, "key": self.floor.key()} | more
        actor = given.pop("actor")
        assert isinstance(actor, Actor)
        return shelf_ledger.goods_in(
            self.floor.shop,
            actor,
            item_id=item,
            pieces=str(pieces),
            lot=lot,
            **given,  # type: ignore[arg-type]  # each test gives what the service takes
        )

    def take(self, item: int, pieces: int, key: str = "", note: str = "trial") -> int:
        return shelf_ledger.take(
            self.floor.shop,
            self.floor.tech,
            item_id=item,
            pieces=str(pieces),
            key=key or self.floor.key(),
            kind="taken",
            note=note,
        )

    def count(self, item: int, counted: int, seen: int | None = None, key: str = "") -> int:
        return shelf_ledger.count(
            self.floor.shop,
            self.floor.tech,
            item_id=item,
            counted=str(counted),
            seen=seen,
            key=key or self.floor.key(),
        )

    def undo(self, line: int, actor: Actor | None = None, key: str = "") -> int:
        return shelf_undo.undo(
            self.floor.shop,
            actor or self.floor.lead,
            line,
            key=key or self.floor.key(),
            reason="a slip",
        )

    def open_kits(self, kits: int) -> list[int]:
        return shelf_ledger.open_kit(
            self.floor.shop, self.floor.tech, kit_id=self.kit, kits=str(kits), key=self.floor.key()
        )

    def pack_kits(self, kits: int) -> list[int]:
        return shelf_ledger.pack_kit(
            self.floor.shop, self.floor.tech, kit_id=self.kit, kits=str(kits), key=self.floor.key()
        )

    def balance(self, item: int) -> int:
        with self.floor.shop.database.read() as session:
            return shelf_read.balance(session, item)

    def lots(self, item: int) -> list[tuple[str | None, int]]:
        with self.floor.shop.database.read() as session:
            return shelf_read.lots(session, item)

    def line(self, item: int) -> ItemLine:
        with self.floor.shop.database.read() as session:
            return shelf_items.item_line(session, item)

    def ledger(self, item: int) -> list[MovementLine]:
        return shelf_movements.movements(self.floor.shop, self.floor.tech, item)

    def correct(self, inspection: int, *, worn: bool) -> int:
        """Correct an inspection that had the nozzle worn: worn still, or not after all."""
        shop, tech, key = self.floor.shop, self.floor.tech, self.floor.key
        number = signing.correct(shop, tech, inspection, reason="typed wrong", key=key())
        drafts.set_mark(shop, tech, number, *WORN[0], "seen" if worn else "none")
        signing.sign(shop, tech, number, key=key())
        return number


def shelf_on(floor: Floor) -> Shelf:
    """Keep every part type that is in use on the shelf."""
    with floor.shop.database.read() as session:
        types = [t.id for t in shelf_items.missing_types(session)]
    shelf_items.add_items_for_types(floor.shop, floor.lead, types)
    lines = shelf_items.item_lines(floor.shop, floor.tech)
    items = {x.part: x.id for x in lines if x.part is not None}
    kit = shelf_items.add_item(
        floor.shop,
        floor.lead,
        kind="kit",
        name="Electrode and nozzle kit",
        kit={items["electrode"]: 1, items["nozzle"]: 1},
    )
    return Shelf(floor, items, kit)
