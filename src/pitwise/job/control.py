"""Run subroutines, loops and branches over buffered lines, in bounded steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pitwise.job.expressions import Parameters, Scanner
from pitwise.job.flow import Node, Structure
from pitwise.job.model import MAX_CALLS, ProgramError

_ARGUMENTS = 30
# So much of an expression takes as long as a plain block.
CHARACTERS_A_STEP = 5


@dataclass
class _Frame:
    """One call: where it began, where it goes back to, what it must put back."""

    begin: int
    back: int
    left: int
    numbers: dict[int, float] | None = None
    names: dict[str, float] | None = None
    counters: dict[int, int] = field(default_factory=dict)


class Control:
    """Where the program goes next.

    Parameters
    ----------
    lines : sequence of str
    first : int
        Line number of the first of them.
    parameters : Parameters
    block_delete : bool
    steps : int
        Blocks allowed beyond the program's own length.

    Attributes
    ----------
    at : int
        Index of the next line to run.
    """

    def __init__(
        self,
        lines: Sequence[str],
        first: int,
        parameters: Parameters,
        *,
        block_delete: bool,
        steps: int,
    ) -> None:
        self.at = 0
        self._first = first
        self._parameters = parameters
        self._structure = Structure(lines, first, block_delete=block_delete)
        self._steps_left = steps + 3 * len(lines) + sum(map(len, lines)) // CHARACTERS_A_STEP
        self._frames: list[_Frame] = []
        self._counters: dict[int, int] = {}

    def spend(self, steps: int, line: int) -> None:
        """Count blocks that were run.

        Raises
        ------
        ProgramError
            More than are allowed: an endless loop, or one too long to follow.
        """
        self._steps_left -= steps
        if self._steps_left < 0:
            raise ProgramError(
                line,
                "the program goes on and on here",
                "let the condition become 0 after some turns, or post the program without loops",
            )

    def fall_off(self) -> None:
        """End of the lines: refuse it inside a subprogram."""
        if self._frames:
            begin = self._first + self._frames[-1].begin - 1
            raise ProgramError(
                begin, "the subprogram that begins here has no M99", "end it with M99"
            )

    def call_program(self, label: int, times: int, line: int) -> None:
        """M98: run a subprogram some times."""
        labels, name = self._structure.labels, str(label)
        if name not in labels and label >= 10_000 and str(label % 10_000) in labels:
            # The older way: the last four digits are the program, those before the count.
            times, name = label // 10_000, str(label % 10_000)
        if name not in labels:
            raise ProgramError(
                line,
                f"there is no subprogram O{label} after this line or after the first O word",
                "put the subprogram into the same file, after M30",
            )
        here = line - self._first
        if times == 0:
            self.at = here + 1
            return
        self._push(_Frame(labels[name], here + 1, times - 1), line)

    def back(self, line: int) -> bool:
        """M99: go back to where the call was; False in the main program."""
        if not self._frames:
            return False
        self._go_back()
        self.spend(1, line)
        return True

    def step(self, line: int) -> str | Node:
        """Do the O word of a line.

        Returns
        -------
        str or Node
            "": on to the next line; "jump": to `at`; a node: a plain program number, whose
            remaining words are still to be done.
        """
        here = line - self._first
        node = self._structure.nodes[here]
        word = node.keyword
        if word == "":
            return node
        if word in ("CALL", "RETURN", "ENDSUB"):
            return self._call(node, here, line) if word == "CALL" else self._return(node, line)
        if word in ("IF", "WHILE", "ENDDO", "REPEAT"):
            return self._condition(node, here, line)
        self._end_of(node, line)
        if word in ("SUB", "BREAK", "CONTINUE", "ENDWHILE"):
            self.at = node.target
            return "jump"
        if word in ("ELSE", "ELSEIF"):
            self.at = node.end
            return "jump"
        if word == "ENDREPEAT":
            return self._again(node, line)
        return ""

    def _condition(self, node: Node, here: int, line: int) -> str:
        value = self._value(node, line)
        if node.keyword == "REPEAT":
            times = round(value)
            self._own_counters()[here] = times
            if times > 0:
                return ""
            self.at = node.target
            return "jump"
        if node.keyword == "ENDDO":
            self.at = node.target if value else here + 1
            return "jump"
        if value:
            return ""
        self.at = node.target if node.keyword == "WHILE" else self._branch(node)
        return "jump"

    def _branch(self, node: Node) -> int:
        """Return the line after the first branch that holds, or after the whole choice."""
        while True:
            at = node.target
            node = self._structure.nodes[at]
            if node.keyword != "ELSEIF" or self._value(node, self._first + at):
                return at + 1

    def _again(self, node: Node, line: int) -> str:
        counters = self._own_counters()
        left = counters.get(node.target, 0) - 1
        counters[node.target] = left
        if left <= 0:
            return ""
        self.at = node.target + 1
        self.spend(1, line)
        return "jump"

    def _call(self, node: Node, here: int, line: int) -> str:
        labels = self._structure.labels
        if node.label not in labels:
            raise ProgramError(
                line, f"there is no subroutine O{node.label}", "put it into the same file"
            )
        scan = Scanner(node.rest, line, self._parameters)
        given: list[float] = []
        while scan.at < len(node.rest):
            given.append(scan.expression())
        if len(given) > _ARGUMENTS:
            raise ProgramError(line, f"more than {_ARGUMENTS} arguments", "leave some out")
        numbers = self._parameters.numbers
        own = range(1, _ARGUMENTS + 1)
        kept = {key: numbers[key] for key in own if key in numbers}
        names = self._parameters.own_names
        self._push(_Frame(labels[node.label], here + 1, 0, kept, names), line)
        for key in own:
            numbers[key] = given[key - 1] if key <= len(given) else 0.0
        self._parameters.own_names = {}
        return "jump"

    def _return(self, node: Node, line: int) -> str:
        if not self._frames:
            raise ProgramError(
                line, f"{node.keyword} outside a call", "put it between SUB and ENDSUB"
            )
        if node.rest:
            self._parameters.write("_VALUE", self._value(node, line))
        self._go_back()
        self.spend(1, line)
        return "jump"

    def _push(self, frame: _Frame, line: int) -> None:
        if len(self._frames) >= MAX_CALLS:
            raise ProgramError(
                line,
                f"subprograms call each other more than {MAX_CALLS} deep",
                "take out the call that leads back to itself",
            )
        self._frames.append(frame)
        self.at = frame.begin

    def _go_back(self) -> None:
        frame = self._frames[-1]
        if frame.left > 0:
            frame.left -= 1
            frame.counters.clear()
            self.at = frame.begin
            return
        self._frames.pop()
        self.at = frame.back
        if frame.numbers is not None and frame.names is not None:
            numbers = self._parameters.numbers
            for key in range(1, _ARGUMENTS + 1):
                numbers.pop(key, None)
            numbers.update(frame.numbers)
            self._parameters.own_names = frame.names

    def _own_counters(self) -> dict[int, int]:
        return self._frames[-1].counters if self._frames else self._counters

    def _value(self, node: Node, line: int) -> float:
        scan = Scanner(node.rest, line, self._parameters)
        value = scan.expression()
        if scan.at != len(node.rest):
            raise scan.error(f"'{node.rest[scan.at :][:12]}' stands after the ]", "remove it")
        self.spend(2 + len(node.rest) // CHARACTERS_A_STEP, line)
        return value

    def _end_of(self, node: Node, line: int) -> None:
        if node.rest and node.keyword != "ELSEIF":
            raise ProgramError(
                line, f"'{node.rest[:12]}' stands after {node.keyword}", "put it on its own line"
            )
