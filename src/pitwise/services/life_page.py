"""The page of lives: how long parts last, lost or worn, and whether groups differ."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from scipy.special import betaincinv

from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.life_book import (
    GROUPS,
    AskedEnd,
    Cure,
    Group,
    Measure,
    PartLife,
    cures_of,
    grouped,
    interval_of,
    part_lives,
)
from pitwise.services.life_reasons import TAKEN_ALONG
from pitwise.services.life_told import (
    Ended,
    GroupTold,
    Share,
    compared,
    ended_ways,
    ratio_of,
    told_group,
    way_corners,
)
from pitwise.services.life_words import reason_words
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop
from pitwise.services.study_files import csv_text, safe_cell
from pitwise.trade.model import PART_SLUGS, Sheet
from pitwise.wear.life.ratio import LifeRatio
from pitwise.wear.life.tell import Compared, TooFewToTell

MOST_GROUPS = 12
MOST_LIVES = 40
OTHERS = "all others"
HEADER = ["lower", "upper", "count", "group"]
ENDS: tuple[AskedEnd, ...] = ("worn", "lost")
MEASURES: tuple[Measure, ...] = ("starts", "arc-minutes")
_LARGEST = 2**31 - 1
_Word = TypeVar("_Word", bound=str)


@dataclass(frozen=True)
class Asked:
    """What is asked of the lives.

    Attributes
    ----------
    part : str
        Empty: the part of which most came to an end of their own.
    end : {"worn", "lost"} or ""
        Empty: the more frequent one.
    measure : {"starts", "arc-minutes"}
    by : str
        One of `GROUPS`.
    process_id : int or None
        None: all where lives are told by process, else the one with most lives; 0: all.
    case_id : int or None
        Whose cure; None: the newest.
    one : str
        A group to hold against all others together; empty: each on its own.
    first_sets : bool
        Count parts that were in a torch before its counters were first read.
    """

    part: str = ""
    end: AskedEnd | str = ""
    measure: Measure | str = "starts"
    by: Group | str = "process"
    process_id: int | None = None
    case_id: int | None = None
    one: str = ""
    first_sets: bool = True


@dataclass(frozen=True)
class PartRow:
    """A part and how its lives have ended so far.

    Attributes
    ----------
    part, name : str
    counts : Ended
    lost : Share or None
        Of those that ended.
    damaged : int
        Of those found worn or damaged: not worn out by use.
    by_hand : int
        Of those changed while still good: taken out by hand.
    """

    part: str
    name: str
    counts: Ended
    lost: Share | None
    damaged: int
    by_hand: int


@dataclass(frozen=True)
class Tally:
    """Why parts were changed: words, how many, and what that counts as."""

    words: str
    count: int
    end: str


@dataclass(frozen=True, eq=False)
class LifePage:
    """What the page of lives shows.

    Attributes
    ----------
    part, part_name : str
    end : {"worn", "lost"}
    measure : {"starts", "arc-minutes"}
    by : str
    one : str
    first_sets : bool
    rows : tuple of PartRow
        Every part of the book that was ever fitted, in the order they come off.
    processes : tuple of (int, str, int)
        Id, name and lives of this part.
    process_id : int or None
        The one shown; None: all.
    process : str
    cures : tuple of Cure
    cure : Cure or None
    groups : tuple of GroupTold
        At most `MOST_GROUPS`.
    all_groups : tuple of (str, tuple of PartLife)
    compared : Compared, TooFewToTell or None
    ratio : LifeRatio, TooFewToTell or None
        Of the two groups where there are two: the first over the second; of a cure, after over
        before. None otherwise.
    ways : dict of str to corners
    reasons : tuple of Tally
    counts : Ended
    lost : Share or None
    untold, first, open, mixed : int
        Lives without use on record; of first sets (whether counted or not); known only to lie
        between two readings; run on more than one process.
    newest : tuple of (PartLife, str)
        The last that ended, with why, newest first.
    """

    part: str
    part_name: str
    end: AskedEnd
    measure: Measure
    by: Group
    one: str
    first_sets: bool
    rows: tuple[PartRow, ...]
    processes: tuple[tuple[int, str, int], ...]
    process_id: int | None
    process: str
    cures: tuple[Cure, ...]
    cure: Cure | None
    groups: tuple[GroupTold, ...]
    all_groups: tuple[tuple[str, tuple[PartLife, ...]], ...]
    compared: Compared | TooFewToTell | None
    ratio: LifeRatio | TooFewToTell | None
    ways: dict[str, tuple[tuple[float, float], ...]]
    reasons: tuple[Tally, ...]
    counts: Ended
    lost: Share | None
    untold: int
    first: int
    open: int
    mixed: int
    newest: tuple[tuple[PartLife, str], ...]

    @property
    def unit(self) -> str:
        """The measure in words."""
        return "starts" if self.measure == "starts" else "arc minutes"

    @property
    def hidden(self) -> tuple[int, int]:
        """Groups that are not shown, and their lives."""
        rest = self.all_groups[len(self.groups) :]
        return len(rest), sum(len(parts) for _, parts in rest)

    @property
    def processes_mixed(self) -> bool:
        """Tell whether lives of several processes are taken together in a group."""
        return any(len({p.process_id for p in g.parts}) > 1 for g in self.groups)


def share_of(some: int, every: int) -> Share | None:
    """Return a share with its 95 % range (Clopper and Pearson 1934); None of none.

    Parameters
    ----------
    some, every : int
        0 <= some <= every.
    """
    if not every:
        return None
    low = float(betaincinv(some, every - some + 1, 0.025)) if some else 0.0
    high = float(betaincinv(some + 1, every - some, 0.975)) if some < every else 1.0
    return Share(some, every, low, high)


def _one_of(place: str, text: str, words: Sequence[_Word]) -> _Word:
    for word in words:
        if word == text:
            return word
    raise ServiceError(place, f"'{text[:40]}' is not known", f"choose one of {', '.join(words)}")


def process_number(text: str) -> int | None:
    """Read which process is asked for: its number, "all" (0), or empty for the usual one."""
    if not text:
        return None
    if text == "all":
        return 0
    if text.isascii() and text.isdigit() and 0 < int(text) <= _LARGEST:
        return int(text)
    raise ServiceError("process", f"'{text[:12]}' is no process", "choose one from the list")


def life_page(shop: Shop, actor: Actor, asked: Asked) -> LifePage:
    """Return what the page of lives shows.

    Raises
    ------
    ServiceError
        A choice there is not; names it and those there are.
    NotFoundError
        No such process, cure or group among the lives.
    """
    require(actor, "view")
    measure = _one_of("measure", asked.measure, MEASURES)
    by = _one_of("compare by", asked.by, GROUPS)
    if asked.part:
        _one_of("part", asked.part, PART_SLUGS)
    if asked.end:
        _one_of("end", asked.end, ENDS)
    with shop.database.read() as session:
        sheet = shop.sheet(session)
        every = part_lives(session)
        cures = tuple(cures_of(session, {r.id: r.text for r in sheet.remedies}))
    part = asked.part or _most_ended(every)
    mine = [p for p in every if p.part == part]
    cure = _cure(asked, cures) if by == "cure" else None
    process_id = cure.process_id if cure else _process(asked, by, mine)
    names = {p.process_id: p.process for p in mine} | (
        {cure.process_id: cure.process} if cure else {}
    )
    chosen = [p for p in mine if process_id is None or p.process_id == process_id]
    first = sum(p.first_set for p in chosen)
    if not asked.first_sets:
        chosen = [p for p in chosen if not p.first_set]
    end = _one_of("end", asked.end or _usual_end(chosen), ENDS)
    sorted_ = grouped(chosen, by, cure=cure) if by != "cure" or cure else {}
    sorted_ = {_called(name, by, sheet): lives for name, lives in sorted_.items()}
    if asked.one:
        sorted_ = _against_others(asked.one, sorted_)
    groups = tuple(
        told_group(name, parts, end, measure) for name, parts in list(sorted_.items())[:MOST_GROUPS]
    )
    shown = [p for parts in sorted_.values() for p in parts]
    counts = ended_ways(shown)
    ended = sorted(
        (p for p in shown if p.ended_at is not None),
        key=lambda p: (p.ended_at or p.fitted_at, p.item_id),
        reverse=True,
    )
    spread = [p.more_starts + p.fewer_starts for p in shown]
    if measure != "starts":
        spread = [p.more_minutes + p.fewer_minutes for p in shown]
    return LifePage(
        part=part,
        part_name=sheet.part(part).name,
        end=end,
        measure=measure,
        by=by,
        one=asked.one,
        first_sets=asked.first_sets,
        rows=_rows(every, sheet),
        processes=_processes(mine),
        process_id=process_id,
        process=names.get(process_id or 0, ""),
        cures=cures,
        cure=cure,
        groups=groups,
        all_groups=tuple((name, tuple(parts)) for name, parts in sorted_.items()),
        compared=compared(groups),
        ratio=ratio_of(groups, after_first=by == "cure"),
        ways=way_corners(shown, measure),
        reasons=_tally(shown, sheet),
        counts=counts,
        lost=share_of(counts.lost, counts.ended),
        untold=sum(interval_of(p, end, measure) is None for p in shown),
        first=first,
        open=sum(x > 0 for x in spread),
        mixed=sum(p.processes > 1 for p in shown),
        newest=tuple(
            (p, ", ".join(reason_words(sheet, p.part, r) for r in own_reasons(p)))
            for p in ended[:MOST_LIVES]
        ),
    )


def _most_ended(every: Sequence[PartLife]) -> str:
    """Return the part most of which came to an end of their own; else the most fitted one."""
    own = Counter(p.part for p in every if p.own_reason and p.ended_at is not None)
    fitted = Counter(p.part for p in every)
    return max(PART_SLUGS, key=lambda part: (own[part], fitted[part], part == "electrode"))


def _usual_end(parts: Sequence[PartLife]) -> str:
    counts = ended_ways(parts)
    return "lost" if counts.lost > counts.worn else "worn"


def _process(asked: Asked, by: Group, mine: Sequence[PartLife]) -> int | None:
    """Return the process asked for; a life belongs to a process, so not all in one by itself."""
    counted = Counter(p.process_id for p in mine)
    if asked.process_id == 0:
        return None
    if asked.process_id is not None:
        if counted and asked.process_id not in counted:
            raise NotFoundError(
                "process", "no such part has run on it", "choose one from the list, or all"
            )
        return asked.process_id
    if by == "process" or not counted:
        return None
    return max(counted, key=lambda k: (counted[k], -k))


def _cure(asked: Asked, cures: Sequence[Cure]) -> Cure | None:
    if asked.case_id is None:
        return cures[0] if cures else None
    for cure in cures:
        if cure.case_id == asked.case_id:
            return cure
    raise NotFoundError(
        "case", f"there is no closed case {asked.case_id}", "choose one from the list"
    )


def _against_others(one: str, groups: dict[str, list[PartLife]]) -> dict[str, list[PartLife]]:
    if one not in groups:
        raise NotFoundError(
            "group", f"no life is in '{one[:60]}'", "choose one from the table of groups"
        )
    rest = [p for name, parts in groups.items() if name != one for p in parts]
    return {one: groups[one], **({OTHERS: rest} if rest else {})}


def _called(name: str, by: Group, sheet: Sheet) -> str:
    """Return a group's name as people read it."""
    if by == "coolant":
        row = sheet.coolant(name)
        return row.name if row is not None else name
    return f"{name} shift" if by == "shift" else name


def _rows(every: Sequence[PartLife], sheet: Sheet) -> tuple[PartRow, ...]:
    rows = []
    for part in sheet.parts:
        own = [p for p in every if p.part == part.id]
        if own:
            counts = ended_ways(own)
            rows.append(
                PartRow(
                    part.id,
                    part.name,
                    counts,
                    share_of(counts.lost, counts.ended),
                    sum(p.damaged for p in own),
                    sum(p.taken_out and p.end == "changed" for p in own),
                )
            )
    return tuple(rows)


def _processes(mine: Sequence[PartLife]) -> tuple[tuple[int, str, int], ...]:
    counted = Counter((p.process_id, p.process) for p in mine)
    return tuple(
        (ident, name, n) for (ident, name), n in sorted(counted.items(), key=lambda x: x[0][1])
    )


def _tally(parts: Sequence[PartLife], sheet: Sheet) -> tuple[Tally, ...]:
    """Count each reason once for each part; a part may have several.

    Where a part had a reason of its own, that another would have taken it along is none.
    """
    counted = Counter((r, p.end, p.part) for p in parts for r in own_reasons(p))
    lines = Counter[tuple[str, str]]()
    for (rule, end, part), n in counted.items():
        lines[(reason_words(sheet, part, rule), end)] += n
    return tuple(
        Tally(words, n, end)
        for (words, end), n in sorted(lines.items(), key=lambda x: (-x[1], x[0]))
    )


def own_reasons(life: PartLife) -> tuple[str, ...]:
    """Return why a part came out: its own reasons, or those of others where it had none."""
    if not life.own_reason:
        return life.reasons
    return tuple(r for r in life.reasons if not r.startswith(TAKEN_ALONG))


def lives_csv(view: LifePage) -> str:
    """Return the lives behind a page as `pitwise life` reads them; those without use left out.

    ``upper`` empty: had not come to the asked end; equal to ``lower``: exactly there.
    """
    rows: list[list[str]] = []
    for name, parts in view.all_groups:
        for life in parts:
            between = interval_of(life, view.end, view.measure)
            if between is not None:
                low, high = between
                upper = "" if high == float("inf") else f"{high:.10g}"
                rows.append([f"{low:.10g}", upper, "1", safe_cell(name)])
    return csv_text([HEADER, *rows])
