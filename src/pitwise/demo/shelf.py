"""The made-up shop's shelf: suppliers, orders, goods in, counts and slips over the year.

Everything goes through the services, as people would do it; prices, names and lead times are
made up. The throws are this module's own, so that no other of the scenario shifts by them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from random import Random

from pitwise.services import (
    planned_work,
    programs,
    setup,
    shelf_items,
    shelf_ledger,
    shelf_orders,
    shelf_rules,
    shelf_suppliers,
    shelf_terms,
    shelf_undo,
)
from pitwise.services.permissions import Actor
from pitwise.services.shelf_model import ItemLine
from pitwise.services.shopfloor import Shop


@dataclass(frozen=True)
class Habit:
    """How the made-up shop keeps one kind of part: a price, and when it orders how many.

    Attributes
    ----------
    price_eur : float
        Of one piece for the 300 A process; others cost their own share of it.
    supplier : int
        Its place in `SUPPLIERS`.
    opening : int
        On the shelf when the year begins.
    at, size : int
        So many left on the shelf and on order: order so many more.
    pack : int
    """

    price_eur: float
    supplier: int
    opening: int
    at: int
    size: int
    pack: int = 1


# Name, and days from order to goods in with their standard deviation.
SUPPLIERS = (("Kerfholm Spares", 8.0, 2.0), ("Tolvane Trading", 18.0, 5.0))
# By part, and for the parts a process eats by process too.
HABITS: Mapping[str, Habit] = {
    "electrode": Habit(21.5, 0, 9, 5, 10, 5),
    "nozzle": Habit(16.8, 0, 9, 5, 10, 5),
    "shield": Habit(29.0, 1, 2, 1, 2),
    "shield-cap": Habit(64.0, 1, 1, 0, 1),
    "retaining-cap": Habit(88.0, 1, 1, 0, 1),
    "swirl-ring": Habit(38.0, 1, 2, 0, 1),
    "coolant-tube": Habit(47.0, 1, 2, 0, 2),
    "torch-head": Habit(720.0, 1, 1, 0, 1),
}
_PRICE_SHARE = {"300": 1.0, "130": 0.72, "200S": 0.88}
_KIT_PRICE_EUR = {"300": 36.5, "130": 26.2, "200S": 32.1}
_OWN_HABIT = {
    "Coolant tube 300": Habit(47.0, 1, 4, 4, 6),
    "Electrode 200S": Habit(18.9, 0, 7, 4, 5, 5),
}
_OPENING_KITS = 2
# The nozzle that is ordered too few of at last, and then not thought of.
OVERLOOKED = "Nozzle 300"
_TOO_FEW_FROM, _TOO_FEW = 0.6, 5
_OVERLOOKED_FROM = 0.76
# One lot of electrodes wears faster than its likes; nobody in the shop knows.
BAD_ITEM, BAD_FROM, BAD_FASTER = "Electrode 130", 0.5, 2.2
# Once in the year a supplier's new list makes a part dearer.
DEARER, DEARER_FROM, DEARER_EUR = "Electrode 300", 0.55, 22.9
_COUNT_DAYS, _ORDER_DAYS = 28, 7
# From here on one delivery comes in part, and its rest only after the year.
_IN_PART_FROM, _REST = 0.94, dt.timedelta(days=60)


@dataclass(frozen=True)
class _Coming:
    at: dt.datetime
    item: int
    line: int
    pieces: int
    ordered: int


@dataclass
class ShelfStory:
    """The shelf as the year goes by.

    Attributes
    ----------
    shop : Shop
    lead, technician : Actor
        The lead orders; the technician puts away, counts and makes slips.
    seed : int
    wait : callable
        Lets so many minutes pass.
    """

    shop: Shop
    lead: Actor
    technician: Actor
    seed: int
    wait: Callable[[float], None]
    bad_lots: set[str] = field(default_factory=set)
    _random: Random = field(init=False)
    _items: dict[str, int] = field(default_factory=dict)
    _buy: list[int] = field(default_factory=list)
    _coming: list[_Coming] = field(default_factory=list)
    _done: set[str] = field(default_factory=set)
    _keys: int = 0
    _lots: int = 0
    _ordered_at: dt.datetime | None = None
    _counted_at: dt.datetime | None = None

    def __post_init__(self) -> None:
        """Take dice of its own."""
        self._random = Random(self.seed + 2)

    def _key(self) -> str:
        self._keys += 1
        return f"demo-{self.seed}-shelf-{self._keys:05d}"

    def _lot(self) -> str:
        self._lots += 1
        return f"{self.shop.clock():%y}-{self._lots:03d}"

    def furnish(self) -> None:
        """Put the shop's parts and kits on the shelf, with terms, rules and a first stock."""
        shop, lead = self.shop, self.lead
        self._buy = [
            shelf_suppliers.add_supplier(shop, lead, name=name, note="made up for the demo")
            for name, *_ in SUPPLIERS
        ]
        shelf_rules.set_rule(
            shop,
            lead,
            None,
            service="95 %",
            order_cost="25",
            hold_rate="20 %",
            reason="demo: figures made up for this shop",
        )
        types = setup.shop_list(shop, lead).part_types
        for place, kind in enumerate(types):
            habit = _OWN_HABIT.get(kind.name, HABITS[kind.part])
            process = kind.name.rpartition(" ")[2]
            item = shelf_items.add_item(
                shop,
                lead,
                kind="part",
                part_type_id=kind.id,
                place=f"Rack {place // 12 + 1}, box {place % 12 + 1}",
            )
            self._items[kind.name] = item
            price = habit.price_eur * (1.0 if kind.name in _OWN_HABIT else _PRICE_SHARE[process])
            self._terms(item, habit.supplier, price, habit.pack)
            self.wait(1)
            shelf_ledger.goods_in(
                shop,
                self.technician,
                item_id=item,
                pieces=str(habit.opening),
                key=self._key(),
                lot=self._lot() if habit.pack > 1 else "",
                note="what was there when the shelf came into the book",
            )
        shelf_rules.set_rule(
            shop,
            lead,
            self._items[OVERLOOKED],
            service="98 %",
            order_cost="25",
            hold_rate="20 %",
            shortage_cost="110",
            keep_least="1",
            reason="North 1 stands still without it",
        )
        for process, price in _KIT_PRICE_EUR.items():
            holds = {self._items[f"Electrode {process}"]: 1, self._items[f"Nozzle {process}"]: 1}
            name = f"Electrode and nozzle kit {process}"
            kit = shelf_items.add_item(
                shop, lead, kind="kit", name=name, place="Kit drawer", kit=holds
            )
            self._items[name] = kit
            self._terms(kit, 0, price, 1)
            shelf_ledger.goods_in(
                shop,
                self.technician,
                item_id=kit,
                pieces=str(_OPENING_KITS),
                key=self._key(),
                lot=self._lot(),
            )

    def _terms(
        self, item: int, supplier: int, price: float, pack: int, reason: str = "demo: made up"
    ) -> None:
        _, days, spread = SUPPLIERS[supplier]
        shelf_terms.set_terms(
            self.shop,
            self.lead,
            item,
            supplier_id=self._buy[supplier],
            price=f"{price:.2f}",
            currency="EUR",
            pack=str(pack),
            least=str(pack),
            lead_days=f"{days:g}",
            lead_days_sd=f"{spread:g}",
            reason=reason,
        )

    def faster(self, lot: str | None) -> float:
        """Return how much faster an electrode of a lot wears than its likes."""
        return BAD_FASTER if lot in self.bad_lots else 1.0

    def go_on(self, share: float) -> None:
        """Put away what has come, and once a week order, once a month count.

        Parameters
        ----------
        share : float
            Of the simulated time.
        """
        now = self.shop.clock()
        for coming in [c for c in self._coming if c.at <= now]:
            self._coming.remove(coming)
            self._put_away(coming, share)
        if self._ordered_at is None or (now - self._ordered_at).days >= _ORDER_DAYS:
            self._ordered_at = now
            self._order(share)
        if self._counted_at is None or (now - self._counted_at).days >= _COUNT_DAYS:
            if self._counted_at is not None:
                self._count()
            self._counted_at = now
        if share > DEARER_FROM and "dearer" not in self._done:
            self._done.add("dearer")
            habit = HABITS["electrode"]
            reason = "demo: made up, the supplier's new list"
            self._terms(self._items[DEARER], habit.supplier, DEARER_EUR, habit.pack, reason)
        if share > 0.3 and "slip" not in self._done:
            self._done.add("slip")
            self._slip()
        if share > 0.45 and "scrap" not in self._done:
            self._done.add("scrap")
            self._scrap()

    def _put_away(self, coming: _Coming, share: float) -> None:
        self.wait(2)
        if share >= _IN_PART_FROM and "part" not in self._done and coming.pieces > 5:
            # A part of it only: the rest is on its way still when the year ends.
            self._done.add("part")
            self._coming.append(replace(coming, at=coming.at + _REST, pieces=coming.pieces - 5))
            coming = replace(coming, pieces=5)
        eaten = coming.item in {
            self._items[f"{part} {process}"]
            for part in ("Electrode", "Nozzle")
            for process in _PRICE_SHARE
        }
        lot = self._lot() if eaten else ""
        if coming.item == self._items[BAD_ITEM] and share >= BAD_FROM and not self.bad_lots:
            self.bad_lots.add(lot)
        shelf_ledger.goods_in(
            self.shop,
            self.technician,
            item_id=coming.item,
            pieces=str(coming.pieces),
            key=self._key(),
            lot=lot,
            order_line_id=coming.line,
            note="the rest follows" if coming.pieces < coming.ordered else "",
        )

    def _lines(self) -> dict[str, ItemLine]:
        return {line.name: line for line in shelf_items.item_lines(self.shop, self.lead)}

    def _order(self, share: float) -> None:
        """Order by the shop's simple habit: so few are left, so many more."""
        wanted: dict[int, list[tuple[int, int]]] = {}
        for name, line in self._lines().items():
            habit = None if line.part is None else _OWN_HABIT.get(name, HABITS[line.part])
            if habit is None or (name == OVERLOOKED and share > _OVERLOOKED_FROM):
                continue
            if line.on_shelf + line.on_order <= habit.at and line.terms is not None:
                too_few = name == OVERLOOKED and share > _TOO_FEW_FROM
                size = _TOO_FEW if too_few else habit.size
                wanted.setdefault(line.terms.supplier_id, []).append((line.id, size))
        for supplier, lines in sorted(wanted.items()):
            self.wait(3)
            self._place(supplier, lines)

    def _place(self, supplier: int, lines: list[tuple[int, int]]) -> int:
        order = shelf_orders.place_order(
            self.shop, self.lead, supplier_id=supplier, lines=lines, key=self._key()
        )
        view = shelf_orders.order_view(self.shop, self.lead, order)
        _, days, spread = next(s for s in SUPPLIERS if s[0] == view.supplier)
        took = max(1.0, self._random.gauss(days, spread))
        at = self.shop.clock() + dt.timedelta(days=took)
        self._coming += [
            _Coming(at, line.item_id, line.id, line.ordered, line.ordered) for line in view.lines
        ]
        return order

    def _count(self) -> None:
        """Count what is eaten most; now and then a piece is missing that nobody wrote down."""
        for name, line in self._lines().items():
            if line.part not in ("electrode", "nozzle"):
                continue
            self.wait(1)
            missing = 1 if self._random.random() < 0.06 and line.on_shelf > 2 else 0
            shelf_ledger.count(
                self.shop,
                self.technician,
                item_id=self._items[name],
                counted=str(max(0, line.on_shelf - missing)),
                key=self._key(),
                seen=line.on_shelf,
            )

    def _slip(self) -> None:
        """Put fifty in where five came, see it, undo it, and put five in."""
        item = self._items["Nozzle 130"]
        lot = self._lot()
        wrong = shelf_ledger.goods_in(
            self.shop, self.technician, item_id=item, pieces="50", key=self._key(), lot=lot
        )
        self.wait(2)
        shelf_undo.undo(
            self.shop, self.technician, wrong, key=self._key(), reason="typed a nought too many"
        )
        self.wait(1)
        shelf_ledger.goods_in(
            self.shop, self.technician, item_id=item, pieces="5", key=self._key(), lot=lot
        )

    def _scrap(self) -> None:
        self.wait(1)
        for name, kind, note in (
            ("Nozzle 130", "scrapped", "dropped on the floor, its face is dented"),
            ("Swirl ring 130", "taken", "lent to the welding shop"),
        ):
            shelf_ledger.take(
                self.shop,
                self.technician,
                item_id=self._items[name],
                pieces="1",
                key=self._key(),
                kind="scrapped" if kind == "scrapped" else "taken",
                note=note,
            )

    def finish(self, torches: Mapping[str, int]) -> None:
        """Leave the shelf as the demo shows it: one nozzle short, two orders open, work planned.

        Parameters
        ----------
        torches : mapping of str to int
            By name.
        """
        lines = self._lines()
        short = lines[OVERLOOKED]
        shelf_ledger.count(
            self.shop,
            self.technician,
            item_id=short.id,
            counted=str(min(1, max(0, short.on_shelf))),
            key=self._key(),
            seen=short.on_shelf,
        )
        self._two_open(lines)
        self._plan(torches)

    def _two_open(self, lines: Mapping[str, ItemLine]) -> None:
        """See that both suppliers have an order to fill at the end."""
        still = {v.supplier for v in shelf_orders.orders(self.shop, self.lead, "open")}
        for supplier, name in ((0, "Nozzle 200S"), (1, "Shield 300")):
            terms = lines[name].terms
            if SUPPLIERS[supplier][0] not in still and terms is not None:
                self._place(terms.supplier_id, [(lines[name].id, terms.pack * 2)])

    def _plan(self, torches: Mapping[str, int]) -> None:
        today = planned_work.today_of(self.shop)
        by_name = {line.name: line.id for line in programs.programs(self.shop, self.lead).lines}
        for torch, name, plates, first, last in PLANNED:
            planned_work.add_planned(
                self.shop,
                self.lead,
                torch_id=torches[torch],
                program_id=by_name[name],
                plates=str(plates),
                first_day=(today + dt.timedelta(days=first)).isoformat(),
                last_day=(today + dt.timedelta(days=last)).isoformat(),
                key=self._key(),
                note="demo: made up",
            )


# Torch, program, plates, and the first and last day from the end of the simulated time.
PLANNED = (
    ("North 1", "bracket-12.nc", 9, 1, 10),
    ("North 1", "flange-110.nc", 6, 8, 21),
    ("South 1", "gusset-10.nc", 22, 1, 12),
    ("South 1", "bracket-12.nc", 8, 11, 20),
    ("South 2", "flange-110.nc", 5, 3, 17),
)
