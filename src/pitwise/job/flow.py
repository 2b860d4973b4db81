"""Subroutines, loops and branches: which line leads to which.

NISTIR 6556 has none of them: M98/M99 are common practice, O words those of the controls that
grew from the report's interpreter (both from memory, no source at hand).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from pitwise.job.block import bare, kept, without_number
from pitwise.job.model import MAX_NESTING, ProgramError

_O_WORD = re.compile(
    r"[O:](<[^<>]{1,100}>|[0-9]+)"
    r"(ENDSUB|SUB|CALL|DO|ENDWHILE|WHILE|ELSEIF|ENDIF|IF|ELSE|BREAK|CONTINUE|ENDREPEAT|REPEAT|"
    r"RETURN)?"
)
_LOOPS = ("DO", "WHILE", "REPEAT")
_CLOSES = {"ENDSUB": "SUB", "ENDWHILE": "WHILE", "ENDREPEAT": "REPEAT", "ENDIF": "IF"}


@dataclass
class Node:
    """One O word.

    Attributes
    ----------
    label, keyword, rest : str
        What it is called, what it does (empty: a plain program number), what follows.
    target : int
        Where it leads: past its end, back to its loop, or to the next branch.
    end : int
        For a branch taken before: the end of the whole choice.
    """

    label: str
    keyword: str
    rest: str
    target: int = -1
    end: int = -1


def o_word(text: str, line: int) -> Node | None:
    """Read a bare line that begins with an O word; None when it does not."""
    text = without_number(text)
    if text[:1] not in ("O", ":"):
        return None
    found = _O_WORD.match(text)
    if found is None:
        raise ProgramError(
            line, "the O word has no number or name", "write O and a number, or O<name>"
        )
    label = found[1].lstrip("0") or "0"
    return Node(label, found[2] or "", text[found.end() :])


@dataclass
class _Open:
    keyword: str
    label: str
    at: int
    branches: list[int] = field(default_factory=list)
    breaks: list[int] = field(default_factory=list)
    continues: list[int] = field(default_factory=list)


class Structure:
    """The O words of buffered lines, matched.

    Parameters
    ----------
    lines : sequence of str
    first : int
        Line number of the first of them.
    block_delete : bool
        Lines that begin with / are not there.

    Attributes
    ----------
    nodes : dict of int to Node
        By index of the line.
    labels : dict of str to int
        Plain program numbers and subs -> the line after.
    """

    def __init__(self, lines: Sequence[str], first: int, *, block_delete: bool) -> None:
        self.nodes: dict[int, Node] = {}
        self.labels: dict[str, int] = {}
        self._first = first
        self._stack: list[_Open] = []
        for at, raw in enumerate(lines):
            if "O" not in raw and "o" not in raw and ":" not in raw:
                continue
            node = o_word(kept(bare(raw, first + at), block_delete=block_delete), first + at)
            if node is not None:
                self.nodes[at] = node
                self._place(at, node)
        if self._stack:
            last = self._stack[-1]
            raise ProgramError(
                first + last.at,
                f"O{last.label} {last.keyword} is never closed",
                "close it, or check that the file is whole",
            )

    def _error(self, at: int, problem: str, mend: str) -> ProgramError:
        return ProgramError(self._first + at, problem, mend)

    def _place(self, at: int, node: Node) -> None:
        word, stack = node.keyword, self._stack
        if word in ("", "SUB"):
            if node.label in self.labels and self.labels[node.label] != at + 1:
                raise self._error(at, f"O{node.label} is there twice", "rename one of them")
            self.labels[node.label] = at + 1
        top = stack[-1] if stack else None
        if word == "WHILE" and top and (top.keyword, top.label) == ("DO", node.label):
            node.keyword = "ENDDO"
            node.target = top.at + 1
            self._close(at)
        elif word in ("SUB", "IF", *_LOOPS):
            if len(stack) >= MAX_NESTING:
                raise self._error(
                    at, f"O words nested deeper than {MAX_NESTING}", "use subroutines"
                )
            if word == "SUB" and stack:
                raise self._error(at, "a subroutine begins inside another O word", "move it out")
            stack.append(_Open(word, node.label, at, [at]))
        elif word in ("ELSE", "ELSEIF"):
            self._branch(at, node)
        elif word in _CLOSES:
            self._match(at, node, _CLOSES[word])
            node.target = stack[-1].at
            self._close(at)
        elif word in ("BREAK", "CONTINUE"):
            self._leave(at, node)

    def _match(self, at: int, node: Node, keyword: str) -> _Open:
        top = self._stack[-1] if self._stack else None
        if top is None or (top.keyword, top.label) != (keyword, node.label):
            raise self._error(
                at,
                f"O{node.label} {node.keyword} closes nothing that is open",
                f"give it the number of its {keyword}",
            )
        return top

    def _branch(self, at: int, node: Node) -> None:
        top = self._match(at, node, "IF")
        before = self.nodes[top.branches[-1]]
        if before.keyword == "ELSE":
            raise self._error(at, "a branch after ELSE", "put ELSE last")
        before.target = at
        top.branches.append(at)

    def _leave(self, at: int, node: Node) -> None:
        for loop in reversed(self._stack):
            if loop.keyword in _LOOPS and loop.label == node.label:
                (loop.breaks if node.keyword == "BREAK" else loop.continues).append(at)
                return
        raise self._error(
            at,
            f"O{node.label} {node.keyword} stands in no loop of that number",
            "give it the number of the loop around it",
        )

    def _close(self, at: int) -> None:
        done = self._stack.pop()
        if done.keyword == "IF":
            self.nodes[done.branches[-1]].target = at
            for branch in done.branches:
                self.nodes[branch].end = at
        else:
            self.nodes[done.at].target = at + 1
        for leave in done.breaks:
            self.nodes[leave].target = at + 1
            self.nodes[leave].end = done.at
        for again in done.continues:
            self.nodes[again].target = at
