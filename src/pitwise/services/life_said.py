"""What a page of lives says in sentences: each with its range, or why it can't be told."""

from __future__ import annotations

import math

from pitwise.services.life_page import OTHERS, LifePage
from pitwise.services.life_told import GroupTold, Share
from pitwise.services.life_words import END_WORDS, range_words, use_words
from pitwise.wear.life.ratio import LifeRatio
from pitwise.wear.life.tell import (
    FEWEST_ENDS,
    Compared,
    LifeTold,
    TooFewToTell,
    left_out_words,
    p_words,
)

BY_WORDS = {
    "process": "process",
    "part-type": "kind of part",
    "lot": "lot",
    "torch": "torch",
    "shift": "shift that fitted it",
    "coolant": "coolant",
    "cure": "before and after a cure",
}
_SAID = 3
# Below this chance a difference is called one (our own choice, as is usual).
_LUCK = 0.05
_LUCKY = "as much by luck alone has a chance of {}"
# Ends a group holds in the mean below which the tests' chances are rough: they are of many
# lives (our own choice, after the usual rule that a chi-square wants 5 in each cell).
_FEW_ENDS = 5


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def part_words(name: str) -> str:
    """Return a part's name for several of it, as it stands within a sentence."""
    low = name[:1].lower() + name[1:]
    return f"{low}es" if low.endswith("ch") else f"{low}s"


def share_words(share: Share | None) -> str:
    """Return a share with its range, as "6 % (2 to 12 %)"."""
    if share is None:
        return "none has ended"
    low, high = 100 * share.low, 100 * share.high
    return f"{100 * share.of / share.all:.0f} % ({low:.0f} to {high:.0f} %)"


def too_few_words(told: TooFewToTell) -> str:
    """Return why nothing is told, and what would mend it."""
    if told.ends < FEWEST_ENDS and told.lives:
        came = "life has" if told.ends == 1 else "lives have"
        return (
            f"{told.ends:.0f} {came} come to this end, of {told.lives:.0f}; it takes {FEWEST_ENDS}"
        )
    return f"{told.reason}; {told.mend}" if told.mend else told.reason


def group_words(group: GroupTold) -> str:
    """Return what a picture says beside a group's name."""
    if group.half is None:
        ended = group.lives.ends if group.lives is not None else 0
        return f"too few to tell: {ended:.0f} of {len(group.parts)}"
    middle, spread = group.half
    if not group.half_seen:
        return f"half beyond {use_words(group.longest)} ({range_words(spread.low, spread.high)})"
    return f"half by {use_words(middle)} ({range_words(spread.low, spread.high)})"


def shape_words(group: GroupTold) -> str:
    """Return whether parts fail early, by chance, or wear out, as far as the lives tell."""
    if not isinstance(group.told, LifeTold):
        return ""
    spread = group.told.ranges["shape"]
    figures = f"shape {group.told.fit.shape:.2g} ({spread.low:.2g} to {spread.high:.2g})"
    if group.told.kind == "wear":
        return f"They wear: the longer in, the sooner due; {figures}."
    if group.told.kind == "early":
        return f"New ones fail most: look at fitting, handling and the lot; {figures}."
    return f"Wear can't be told from chance; {figures}."


def headlines(view: LifePage) -> tuple[str, ...]:
    """Return the page's findings in sentences, the first groups' alone."""
    many = part_words(view.part_name)
    said = []
    for group in view.groups[:_SAID]:
        where = f"{group.name}: " if len(view.groups) > 1 or view.by != "process" else ""
        if isinstance(group.told, TooFewToTell):
            said.append(f"{where}too few {many} to tell: {too_few_words(group.told)}.")
            continue
        if group.half is None or group.tenth is None:
            continue
        middle, spread = group.half
        tenth, early = group.tenth
        if group.half_seen:
            said.append(
                f"{where}half of the {many} are {END_WORDS[view.end]} by {use_words(middle)} "
                f"{view.unit} ({range_words(spread.low, spread.high)}), one in ten by "
                f"{use_words(tenth)} ({range_words(early.low, early.high)})."
            )
        else:
            said.append(
                f"{where}half of the {many} last beyond {use_words(group.longest)} {view.unit}, "
                f"the longest seen ({range_words(spread.low, spread.high)} by the curve); one in "
                f"ten are {END_WORDS[view.end]} by {use_words(tenth)} "
                f"({range_words(early.low, early.high)})."
            )
    return tuple(s[:1].upper() + s[1:] for s in said)


def few_words(view: LifePage) -> str:
    """Return that a comparison leans on few ends; empty where it does not."""
    found = view.compared
    # The curves' test holds only the groups that have one.
    only = found.compared if isinstance(found, Compared) and found.logrank is None else ()
    mine = [
        g for g in view.groups if not only or isinstance(view.ratio, LifeRatio) or g.name in only
    ]
    known = [g.lives for g in mine if g.lives is not None]
    ends = sum(x.ends for x in known)
    if ends >= _FEW_ENDS * len(known):
        return ""
    return (
        f"This leans on few, {ends:.0f} such ends in {len(known)} groups: a hint, no proof. "
        f"It takes about {_FEW_ENDS} ends a group."
    )


def _ratio_words(view: LifePage, found: LifeRatio) -> str:
    """Return how many times as long one of two groups lasts as the other."""
    first, second = (g.name for g in view.groups)
    one = f"Parts of {first}"
    other = second if second == OTHERS else f"those of {second}"
    if view.by == "cure":
        one, other = "Parts after the cure", "those before it"
    low, high = found.range.low, found.range.high
    luck = _LUCKY.format(p_words(found.test.luck))
    if low == 0 and not math.isfinite(high):
        return f"Whether they differ is quite open; {luck}."
    if low == 0:
        size = f"at most {high:.2g} times as long as {other}"
    elif not math.isfinite(high):
        size = f"{low:.2g} times as long as {other}, or longer"
    else:
        size = f"{found.ratio:.2g} times as long as {other} ({low:.2g} to {high:.2g})"
    said = "" if low > 1 or high < 1 else "No difference is shown. "
    if not said and found.test.luck >= _LUCK:
        said = "With so few lives it may still be luck. "
    return f"{said}{one} last {size}; {luck}."


def compared_words(view: LifePage) -> str:
    """Return whether the groups differ, in words; empty where there are not two of them."""
    found = view.compared
    if found is None:
        return ""
    few = few_words(view)
    if isinstance(view.ratio, LifeRatio):
        return f"{_ratio_words(view, view.ratio)} {few}".strip()
    if isinstance(found, TooFewToTell):
        return f"Whether they differ, too few tell: {too_few_words(found)}."
    lead = found.logrank or found.likelihood_ratio
    if lead is None:
        return found.words
    luck = _LUCKY.format(p_words(lead.luck))
    told = sorted(((g.half[0], g.name) for g in view.groups if g.half is not None), reverse=True)
    if lead.luck < _LUCK:
        said = f"They last differently: {luck}."
        if len(told) > 1:
            # None is named while a group without a curve may be longer, or shorter.
            ends = [f"longest: {told[0][1]}"] if found.names_longest else []
            ends += [f"shortest: {told[-1][1]}"] if found.names_shortest else []
            said += f" {ends[0][:1].upper()}{'; '.join(ends)[1:]}." if ends else ""
    else:
        said = f"The difference is within chance: {luck}."
    if few:
        said += f" {few}"
    other = found.likelihood_ratio
    if found.logrank and other and (found.logrank.luck < _LUCK) != (other.luck < _LUCK):
        said += (
            f" The fitted curves alone give {p_words(other.luck)}: the two tests disagree, so wait "
            "for more lives."
        )
    return said + left_out_words(found.why, view.unit)


def ends_sentence(view: LifePage) -> str:
    """Return how the lives shown have ended."""
    c = view.counts
    if not c.ended:
        return f"None has ended yet; {_count(c.running, 'is', 'are')} in a torch."
    return (
        f"Of {c.ended} that came out, {c.worn} {'was' if c.worn == 1 else 'were'} found worn or "
        f"damaged, {c.lost} lost in the cut and {c.changed} changed while still good; {c.running} "
        f"{'is' if c.running == 1 else 'are'} in a torch now. Lost in the cut: "
        f"{share_words(view.lost)}."
    )


def reconciled_words(view: LifePage) -> str:
    """Return how the counts of all parts go with those of the money page."""
    rows = view.rows
    worn, damaged, lost, changed, by_hand = (
        sum(column)
        for column in zip(
            *((r.counts.worn, r.damaged, r.counts.lost, r.counts.changed, r.by_hand) for r in rows),
            strict=True,
        )
    )
    early = damaged + lost + changed - by_hand
    taken = f", without the {by_hand} taken out by hand" if by_hand else ""
    return (
        f"“Found worn or damaged” holds {worn - damaged} worn out by use and {damaged} damaged "
        f"before that. Money counts the damaged, the {lost} lost in the cut and the {changed} "
        f"changed while still good as ended before their worth was used: {early} in the whole "
        f"book{taken}. It shows those of the days chosen there."
    )


def notes(view: LifePage) -> tuple[str, ...]:
    """Return what must be known to read the page right."""
    said = [ends_sentence(view)]
    if view.end == "worn":
        said.append(
            "Wear is found at an inspection: such a life ended somewhere after the last look that "
            "found the part good, and counts so."
        )
    else:
        said.append("A part lost in the cut stops the cut: its life is taken as exact.")
    said.append(
        "A part that came out another way had not come to this end yet, and counts so. Where "
        "parts are changed because they were about to fail, lives come out too long."
    )
    if view.open:
        said.append(
            f"{_count(view.open, 'part')} went in or came out while nobody read the counters: "
            "what is known of such a life is that it lies between two readings."
        )
    if view.untold:
        said.append(
            f"{_count(view.untold, 'part')} with no use on record: not counted, for nothing is "
            "known of them."
        )
    if view.mixed:
        said.append(
            f"{_count(view.mixed, 'part')} ran on more than one process: each counts with the one "
            "it ended on."
        )
    if view.processes_mixed and view.by != "process":
        said.append(
            "Lives of several processes are taken together here: a group that ran on the harder "
            "one looks worse than it is. Choose one process to be sure."
        )
    if isinstance(view.ratio, LifeRatio):
        said.append(
            "How many times as long is told on the ground that both groups fail alike, only later "
            "or sooner (one shape of curve)."
        )
    if view.by == "cure":
        said.append(
            "A case is opened when parts go badly, and part of that is luck, which turns by "
            "itself: some of the difference would have come without the cure."
        )
    if view.one:
        said.append(
            "A group picked because it looks bad will look worse than it is: wait for lives that "
            "came after you picked it."
        )
    return tuple(said)
