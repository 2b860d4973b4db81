"""Parts that ended before their worth was used: how many, what it cost, and why.

Three ways to end too soon. **Lost in the cut**: the part's unused worth is gone, and the loss
takes with it what the station's settings say: a torch, a plate, a stop. **Damaged**: an
inspection found it past use, but not because it wore out. **Changed while good**: nothing was
against it; it went with another part, or by somebody's decision. Of the last two the unused
worth is gone. A part that wore out by use is in none, nor is one taken out by hand, which may
go in again.

Why: the cause that a case on that torch was closed with, for parts that ended between the
inspection that led to the case and its cure; else the finding that ended the part, or the part
that took it along; else not known.

Ranges of sums: how long a part would have run is its own, how long its type lasts (or how its
process wears) is shared by all of them (`amounts.add`). Prices are known. What a loss takes of
the station's settings has no range: nothing tells how far off an assumed cost is, and it is said
where one is assumed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.records.case_tables import CauseCase
from pitwise.records.tables import DecisionRow, InspectionRow, Torch
from pitwise.services.amounts import Amount, Amounts, add, in_currency
from pitwise.services.cures import closed_causes
from pitwise.services.life_book import part_lives
from pitwise.services.life_model import BY_LIMIT, PartLife
from pitwise.services.life_reasons import OVERRULED, TAKEN_ALONG
from pitwise.services.metres import Ranged
from pitwise.services.record_chain import looked_at
from pitwise.services.shelf_prices import Prices, price_book
from pitwise.services.shopfloor import Shop
from pitwise.services.station_settings import assumed_fields, settings_of
from pitwise.services.unused import Left, electrode_left, part_left, usual_life
from pitwise.services.wear_book import fit_in_force, histories
from pitwise.trade.model import Sheet
from pitwise.wear.cant_tell import CantTell
from pitwise.wear.life.weibull import WeibullFit

Early = Literal["lost", "damaged", "good"]
WhyKind = Literal["cause", "finding", "along", "overruled", "worn", "open-case", "not-known"]
NOT_KNOWN = "Not known"
_COSTS = ("stop_minutes", "stop_cost_per_hour", "lost_torch_cost", "scrapped_plate_cost")


@dataclass(frozen=True)
class Why:
    """Why a part ended.

    Attributes
    ----------
    kind : str
        One of `WhyKind`.
    words : str
        Under which it is counted.
    case_id : int or None
        The case whose cause it is.
    """

    kind: WhyKind
    words: str
    case_id: int | None = None


@dataclass(frozen=True)
class EndedEarly:
    """One part that ended before its worth was used.

    Attributes
    ----------
    life : PartLife
    kind : {"lost", "damaged", "good"}
    why : Why
    unused : Ranged or CantTell
        Share of its worth that was left, 0 to 1.
    worth : Amount or CantTell
        That share of its price.
    took : Amounts
        What the loss took with it; empty for parts not lost in the cut.
    by_first : bool
        Its worth is reckoned by its first known price, from after it was fitted.
    """

    life: PartLife
    kind: Early
    why: Why
    unused: Ranged | CantTell
    worth: Amount | CantTell
    took: Amounts = ()
    by_first: bool = False

    @property
    def money(self) -> Amounts:
        """All that can be told of what it cost."""
        return add([*([self.worth] if isinstance(self.worth, Amount) else []), *self.took])


@dataclass(frozen=True)
class LossRow:
    """What one reason took.

    Attributes
    ----------
    why : Why
    lost, early, money : Amounts
        Of parts lost in the cut, of those that came out early otherwise, and of both.
    lost_parts, damaged_parts, good_parts : int
    untold : int
        Parts whose own worth can't be told; what their loss took is counted.
    """

    why: Why
    lost: Amounts
    early: Amounts
    money: Amounts
    lost_parts: int
    damaged_parts: int
    good_parts: int
    untold: int

    @property
    def parts(self) -> int:
        """All of them."""
        return self.lost_parts + self.damaged_parts + self.good_parts


@dataclass(frozen=True)
class LossList:
    """All parts of a period that ended before their worth was used.

    Attributes
    ----------
    since, until : datetime
        From the first, up to but without the second.
    parts : tuple of EndedEarly
        Newest first.
    rows : tuple of LossRow
        By reason; dearest first in the currency that most is counted in.
    money : Amounts
    ended : int
        Parts that ended in the period in all, those worn out included.
    assumed : tuple of str
        Stations whose costs of a loss are assumed, not set by the shop, where one is counted.
    """

    since: dt.datetime
    until: dt.datetime
    parts: tuple[EndedEarly, ...]
    rows: tuple[LossRow, ...]
    money: Amounts
    ended: int
    assumed: tuple[str, ...]

    @property
    def untold(self) -> int:
        """Parts whose own worth can't be told."""
        return sum(isinstance(p.worth, CantTell) for p in self.parts)

    def count(self, kind: Early) -> int:
        """Return how many ended one way."""
        return sum(p.kind == kind for p in self.parts)

    @property
    def worn_out(self) -> int:
        """Parts that ended worn out by use: their worth was used."""
        return self.ended - len(self.parts)

    @property
    def by_first(self) -> Amounts:
        """The worth of parts reckoned by their first known price."""
        return add(p.worth for p in self.parts if p.by_first and isinstance(p.worth, Amount))

    @property
    def main_currency(self) -> str:
        """The currency that most parts are counted in; "" without any money."""
        counts: dict[str, int] = {}
        for p in self.parts:
            for a in p.money:
                counts[a.currency] = counts.get(a.currency, 0) + 1
        return max(sorted(counts), key=lambda c: counts[c], default="")


class Reasons:
    """Why parts of the book ended, told from its cases and decisions; read once."""

    def __init__(self, shop: Shop, session: Session, lives: Sequence[PartLife]) -> None:
        self.sheet: Sheet = shop.sheet(session)
        self._cases = _case_spans(session, self.sheet)
        self._by_inspection = {
            (x.inspection_id, x.part): x for x in lives if x.inspection_id is not None
        }

    def of(self, life: PartLife) -> Why:
        """Return why a part ended."""
        return self._case(life) or self._own(life, frozenset())

    def _case(self, life: PartLife) -> Why | None:
        if life.ended_at is None:
            return None
        for case in self._cases.get(life.torch_id, ()):
            if case.since <= life.ended_at and (case.until is None or life.ended_at <= case.until):
                return case.why
        return None

    def _own(self, life: PartLife, seen: frozenset[str]) -> Why:
        for rule in life.reasons:
            finding = self.sheet.finding(life.part, rule)
            if finding is not None:
                place = self.sheet.part(life.part).name
                return Why("finding", f"{place}: {finding.name[:1].lower()}{finding.name[1:]}")
        if life.wore_out:
            return Why("worn", "Worn out by use")
        if BY_LIMIT & set(life.reasons):
            # Lost in the cut, and its pit was past the limit when somebody looked.
            return Why("finding", f"{self.sheet.part(life.part).name}: run past its limit")
        for rule in life.reasons:
            if rule.startswith(TAKEN_ALONG):
                return self._along(life, rule.removeprefix(TAKEN_ALONG), seen | {life.part})
        if OVERRULED in life.reasons:
            return Why("overruled", "Somebody’s decision against the rules")
        return Why("not-known", NOT_KNOWN)

    def _along(self, life: PartLife, other: str, seen: frozenset[str]) -> Why:
        if life.inspection_id is None:
            return Why("not-known", NOT_KNOWN)
        partner = self._by_inspection.get((life.inspection_id, other))
        if partner is not None and other not in seen and not partner.wore_out:
            # What ended the other part is what cost this one its worth.
            return self._own(partner, seen)
        return Why("along", f"Changed along with the worn {self.sheet.part(other).name.lower()}")


@dataclass(frozen=True)
class _Span:
    since: dt.datetime
    until: dt.datetime | None
    why: Why


def _case_spans(session: Session, sheet: Sheet) -> dict[int, list[_Span]]:
    """Return by torch from when to when each case's cause was at work, the newest first."""
    causes = closed_causes(session, sheet)
    rows = session.execute(
        select(CauseCase, InspectionRow)
        .outerjoin(InspectionRow, InspectionRow.id == CauseCase.after_inspection)
        .where(CauseCase.state != "discarded")
        .order_by(CauseCase.opened_at.desc(), CauseCase.id.desc())
    )
    out: dict[int, list[_Span]] = {}
    for case, led in rows:
        since = min(case.opened_at, looked_at(session, led) if led else case.opened_at)
        if case.state == "closed":
            names = " and ".join(c.name for c in causes.get(case.id, ()))
            why = Why("cause", names, case.id) if names else Why("not-known", NOT_KNOWN, case.id)
            span = _Span(since, case.cured_at or case.closed_at, why)
        else:
            why = Why("open-case", f"Case {case.id} is open: cause not known yet", case.id)
            span = _Span(since, None, why)
        out.setdefault(case.torch_id, []).append(span)
    return out


def loss_list(
    shop: Shop,
    session: Session,
    since: dt.datetime,
    until: dt.datetime,
    *,
    torch_id: int | None = None,
    lives: Sequence[PartLife] | None = None,
    prices: Prices | None = None,
) -> LossList:
    """List the parts that ended in a period before their worth was used.

    Parameters
    ----------
    shop, session
    since, until : datetime
        Aware; from the first, up to but without the second.
    torch_id : int or None
        Only this torch.
    lives, prices
        When the caller has read them already.
    """
    known = part_lives(session) if lives is None else lives
    price = prices or price_book(session)
    ended = [
        x
        for x in known
        if x.ended_at is not None
        and since <= x.ended_at < until
        and not x.taken_out
        and (torch_id is None or x.torch_id == torch_id)
    ]
    reasons = Reasons(shop, session, known)
    early = [x for x in ended if not x.wore_out]
    unused = _unused(shop, session, early, known)
    listed = []
    for life in early:
        share = unused[life.item_id]
        worth = _worth(life, share, price)
        kind: Early = "good"
        if life.end in ("lost", "worn"):
            kind = "lost" if life.end == "lost" else "damaged"
        listed.append(EndedEarly(life, kind, reasons.of(life), share, worth))
    listed, assumed = _with_losses(session, listed)
    listed.sort(key=lambda p: (p.life.ended_at or since, p.life.item_id), reverse=True)
    listed = [
        replace(p, by_first=price.at(p.life.part_type_id, p.life.fitted_at) is None)
        if isinstance(p.worth, Amount)
        else p
        for p in listed
    ]
    rows = _rows(listed)
    return LossList(
        since,
        until,
        tuple(listed),
        rows,
        _sum(listed),
        len(ended),
        assumed,
    )


def _worth(life: PartLife, share: Left | CantTell, prices: Prices) -> Amount | CantTell:
    if isinstance(share, CantTell):
        return share
    kind = life.part_type_id
    price = prices.at(kind, life.fitted_at) or prices.first(kind)
    if price is None:
        return CantTell(
            f"no price is known for {life.part_type}", "enter its terms on the Shelf page"
        )
    value, currency = price
    low = share.value if share.low is None else share.low
    high = share.value if share.high is None else share.high
    doubt = share.doubt.times(value)
    return Amount(currency, share.value * value, low * value, high * value, doubt)


def _unused(
    shop: Shop, session: Session, early: Sequence[PartLife], known: Sequence[PartLife]
) -> dict[int, Left | CantTell]:
    out: dict[int, Left | CantTell] = {}
    pits = [x for x in early if x.part == PIT_PART]
    if pits:
        force = fit_in_force(shop, session)
        read = histories(session, [x.item_id for x in pits])
        limits = _limits(session, [x.item_id for x in pits])
        for x in pits:
            if x.item_id in read.left_out:
                out[x.item_id] = CantTell(read.left_out[x.item_id], "correct its inspections")
                continue
            out[x.item_id] = electrode_left(
                force,
                read.of.get(x.item_id),
                x.process,
                x.starts,
                x.arc_minutes,
                limits.get((x.item_id, x.inspection_id)),
            )
    told: dict[int, WeibullFit | CantTell] = {}
    for x in early:
        if x.part == PIT_PART:
            continue
        if x.part_type_id not in told:
            told[x.part_type_id] = usual_life(
                [y for y in known if y.part_type_id == x.part_type_id]
            )
        out[x.item_id] = part_left(told[x.part_type_id], x)
    return out


def _limits(session: Session, items: Iterable[int]) -> dict[tuple[int | None, int | None], float]:
    rows = session.execute(
        select(DecisionRow.part_item_id, DecisionRow.inspection_id, DecisionRow.limit_mm).where(
            DecisionRow.part_item_id.in_(list(items)), DecisionRow.limit_mm.is_not(None)
        )
    )
    return {(item, inspection): limit for item, inspection, limit in rows if limit is not None}


def _with_losses(
    session: Session, listed: Sequence[EndedEarly]
) -> tuple[list[EndedEarly], tuple[str, ...]]:
    """Add what losses took: once for each inspection, however many parts were lost in it."""
    out, taken = [], set()
    assumed = set()
    homes = {t.id: t.station_id for t in session.scalars(select(Torch))}
    # The electrode first: a loss is most often its own.
    for p in sorted(listed, key=lambda p: (p.life.part != PIT_PART, p.life.item_id)):
        if p.kind != "lost" or p.life.inspection_id in taken:
            out.append(p)
            continue
        taken.add(p.life.inspection_id)
        station = homes[p.life.torch_id]
        settings = settings_of(session, station)
        costs = settings.costs()
        took = costs.lost_torch_cost + costs.scrapped_plate_cost + costs.stop
        if assumed_fields(session, station) & set(_COSTS):
            assumed.add(p.life.station)
        out.append(replace(p, took=(Amount.sure(settings.currency, took),)))
    return out, tuple(sorted(assumed))


def _sum(parts: Sequence[EndedEarly]) -> Amounts:
    return add(a for p in parts for a in p.money)


def _rows(parts: Sequence[EndedEarly]) -> tuple[LossRow, ...]:
    groups: dict[str, list[EndedEarly]] = {}
    for p in parts:
        groups.setdefault(p.why.words, []).append(p)
    rows = []
    for own in groups.values():
        lost, damaged, good = (
            [p for p in own if p.kind == kind] for kind in ("lost", "damaged", "good")
        )
        rows.append(
            LossRow(
                own[0].why,
                _sum(lost),
                _sum([*damaged, *good]),
                _sum(own),
                len(lost),
                len(damaged),
                len(good),
                sum(isinstance(p.worth, CantTell) for p in own),
            )
        )
    by_count: dict[str, int] = {}
    for p in parts:
        for a in p.money:
            by_count[a.currency] = by_count.get(a.currency, 0) + 1
    main = max(sorted(by_count), key=lambda c: by_count[c], default="")
    return tuple(
        sorted(rows, key=lambda r: (-in_currency(r.money, main).value, -r.parts, r.why.words))
    )
