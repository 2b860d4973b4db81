"""Numbers, parameters and expressions of a block (NISTIR 6556, section 3.3.2).

The scanner works on a line without spaces and comments, in capitals.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable

from pitwise.job.model import MAX_NESTING, ProgramError

_NUMBER = re.compile(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)")
_OPERATOR = re.compile(r"\*\*|[-+*/]|MOD|AND|XOR|OR|EQ|NE|GT|GE|LT|LE")
_FUNCTION = re.compile(r"ABS|ACOS|ASIN|ATAN|COS|EXISTS|EXP|FIX|FUP|LN|ROUND|SIN|SQRT|TAN")
_NAME = re.compile(r"<([^<>]{1,100})>")
_COMPARISONS = frozenset(("EQ", "NE", "GT", "GE", "LT", "LE"))
# NISTIR 6556, 3.3.2.3: ** first, then * / MOD, then + - AND OR XOR, from left to right.
_RANKS = {"**": 0, "*": 1, "/": 1, "MOD": 1, "+": 2, "-": 2, "AND": 2, "OR": 2, "XOR": 2}
# The report has no comparisons. Where they stand beside AND OR XOR in one pair of brackets,
# those must bind loosest, or [#1 LT 5 AND #2 GT 3] could not be written.
_RANKS_COMPARING = {**_RANKS, **dict.fromkeys(_COMPARISONS, 3), "AND": 4, "OR": 4, "XOR": 4}
# What to do where a function has no value.
_DOMAINS = {
    "ACOS": "give ACOS a number from -1 to 1",
    "ASIN": "give ASIN a number from -1 to 1",
    "EXP": "give EXP a number below 700",
    "LN": "give LN a number above 0",
    "SQRT": "give SQRT a number of 0 or more",
}
MAX_PARAMETER = 5399
LARGEST = 1e15


class Parameters:
    """Numbered and named parameters.

    Parameters 1 to 30 and names without a leading underscore belong to the subroutine.
    """

    def __init__(self) -> None:
        self.numbers: dict[int, float] = {}
        self.names: dict[str, float] = {}
        self.own_names: dict[str, float] = {}
        self.unset_read: list[str] = []

    def read(self, key: int | str, line: int) -> float:
        """Return a parameter's value; a numbered one never set is 0 and noted."""
        if isinstance(key, int):
            if key not in self.numbers:
                self.unset_read.append(f"#{key}")
            return self.numbers.get(key, 0.0)
        names = self.names if key.startswith("_") else self.own_names
        if key not in names:
            raise ProgramError(
                line, f"parameter #<{key.lower()}> is read before it is set", "set it first"
            )
        return names[key]

    def known(self, key: int | str) -> bool:
        """Say whether a parameter has been set."""
        if isinstance(key, int):
            return key in self.numbers
        return key in (self.names if key.startswith("_") else self.own_names)

    def write(self, key: int | str, value: float) -> None:
        """Set a parameter."""
        if isinstance(key, int):
            self.numbers[key] = value
        elif key.startswith("_"):
            self.names[key] = value
        else:
            self.own_names[key] = value


class Scanner:
    """Read values from one line, evaluating as it goes.

    Parameters
    ----------
    text : str
        The line without spaces and comments, in capitals.
    line : int
        Its number, for errors.
    parameters : Parameters

    Attributes
    ----------
    at : int
        Where the next value begins.
    constant : bool
        True while no parameter has been read: the line means the same each time.
    """

    def __init__(self, text: str, line: int, parameters: Parameters) -> None:
        self.text = text
        self.line = line
        self.parameters = parameters
        self.at = 0
        self.constant = True
        self._depth = 0

    def error(self, problem: str, mend: str) -> ProgramError:
        """Return an error at this line."""
        return ProgramError(self.line, problem, mend)

    def value(self) -> float:
        """Read a real value: a number, a parameter, a function of an expression, or one."""
        number = _NUMBER.match(self.text, self.at)
        if number is not None:
            self.at = number.end()
            return self._checked(float(number[0]))
        self._depth += 1
        if self._depth > MAX_NESTING:
            raise self.error(
                f"nested deeper than {MAX_NESTING} levels", "split the expression over parameters"
            )
        sign = self.text[self.at : self.at + 1]
        if sign == "[":
            got = self.expression()
        elif sign == "#":
            self.at += 1
            self.constant = False
            got = self.parameters.read(self.key(), self.line)
        elif sign in ("-", "+") and sign:
            self.at += 1
            got = self.value()
            got = -got if sign == "-" else got
        else:
            got = self._function()
        self._depth -= 1
        return self._checked(got)

    def key(self) -> int | str:
        """Read what follows a `#`: the number or the name of a parameter."""
        name = _NAME.match(self.text, self.at)
        if name is not None:
            self.at = name.end()
            return name[1]
        number = self.value()
        whole = round(number)
        if abs(number - whole) > 1e-4 or not 1 <= whole <= MAX_PARAMETER:
            raise self.error(
                f"there is no parameter #{number:g}",
                f"use a whole number from 1 to {MAX_PARAMETER} or a name in < >",
            )
        return whole

    def expression(self) -> float:
        """Read `[ … ]`."""
        if self.text[self.at : self.at + 1] != "[":
            raise self.error("an expression in [ ] is missing", "put what is meant in [ ]")
        self.at += 1
        values = [self.value()]
        operators: list[str] = []
        while True:
            if self.text[self.at : self.at + 1] == "]":
                self.at += 1
                return self._reduced(values, operators)
            found = _OPERATOR.match(self.text, self.at)
            if found is None:
                raise self.error(
                    f"the expression breaks off at '{self.text[self.at : self.at + 12]}'",
                    "close it with ] or write an operator",
                )
            self.at = found.end()
            operators.append(found[0])
            values.append(self.value())

    def _reduced(self, values: list[float], operators: list[str]) -> float:
        ranks = _RANKS if _COMPARISONS.isdisjoint(operators) else _RANKS_COMPARING
        for rank in range(5):
            if not operators:
                break
            left = values[:1]
            kept: list[str] = []
            for operator, right in zip(operators, values[1:], strict=True):
                if ranks[operator] == rank:
                    left[-1] = self._checked(self._apply(operator, left[-1], right))
                else:
                    kept.append(operator)
                    left.append(right)
            values, operators = left, kept
        return values[0]

    def _apply(self, operator: str, a: float, b: float) -> float:
        try:
            return _BINARY[operator](a, b)
        except ZeroDivisionError as error:
            raise self.error(
                "division by zero",
                "set the parameter below the / first, or write what it stands for",
            ) from error
        except (OverflowError, ValueError) as error:
            raise self.error(
                f"{a:g} {operator} {b:g} has no value",
                "check the two numbers: they are too large, or a root of less than nothing",
            ) from error

    def _function(self) -> float:
        found = _FUNCTION.match(self.text, self.at)
        if found is None:
            rest = self.text[self.at : self.at + 12]
            raise self.error(
                f"a number is missing at '{rest}'" if rest else "a number is missing at the end",
                "write a number, a parameter or an expression in [ ]",
            )
        self.at = found.end()
        name = found[0]
        if name == "EXISTS":
            return self._exists()
        a = self.expression()
        if name == "ATAN":
            if self.text[self.at : self.at + 1] != "/":
                raise self.error("ATAN needs two values", "write ATAN[y]/[x]")
            self.at += 1
            return math.degrees(math.atan2(a, self.expression()))
        try:
            return _UNARY[name](a)
        except (OverflowError, ValueError) as error:
            raise self.error(f"{name}[{a:g}] has no value", _DOMAINS[name]) from error

    def _exists(self) -> float:
        if self.text[self.at : self.at + 2] != "[#":
            raise self.error("EXISTS needs a parameter", "write EXISTS[#<name>]")
        self.at += 2
        self.constant = False
        known = self.parameters.known(self.key())
        if self.text[self.at : self.at + 1] != "]":
            raise self.error("EXISTS is not closed", "close it with ]")
        self.at += 1
        return float(known)

    def _checked(self, value: float) -> float:
        if not abs(value) <= LARGEST:
            raise self.error(
                f"the value {value:g} is beyond any table",
                "check for a missing decimal point or a parameter set wrong",
            )
        return value


def _power(a: float, b: float) -> float:
    return math.pow(a, b)


def _mod(a: float, b: float) -> float:
    if b == 0:
        raise ZeroDivisionError
    got = math.fmod(a, b)
    return got + abs(b) if got < 0 else got


def _round(a: float) -> float:
    return float(math.floor(a + 0.5) if a >= 0 else math.ceil(a - 0.5))


# Equality within a millionth, as a control's display shows it; exact would make
# loops over decimal fractions run one turn too many (our decision: the report is silent).
def _equal(a: float, b: float) -> bool:
    return abs(a - b) < 1e-6


_BINARY: dict[str, Callable[[float, float], float]] = {
    "**": _power,
    "*": lambda a, b: a * b,
    "/": lambda a, b: a / b,
    "MOD": _mod,
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "AND": lambda a, b: float(a != 0 and b != 0),
    "OR": lambda a, b: float(a != 0 or b != 0),
    "XOR": lambda a, b: float((a != 0) != (b != 0)),
    "EQ": lambda a, b: float(_equal(a, b)),
    "NE": lambda a, b: float(not _equal(a, b)),
    "GT": lambda a, b: float(a > b and not _equal(a, b)),
    "GE": lambda a, b: float(a > b or _equal(a, b)),
    "LT": lambda a, b: float(a < b and not _equal(a, b)),
    "LE": lambda a, b: float(a < b or _equal(a, b)),
}
_UNARY: dict[str, Callable[[float], float]] = {
    "ABS": abs,
    "ACOS": lambda a: math.degrees(math.acos(a)),
    "ASIN": lambda a: math.degrees(math.asin(a)),
    "COS": lambda a: math.cos(math.radians(a)),
    "EXP": math.exp,
    "FIX": lambda a: float(math.floor(a)),
    "FUP": lambda a: float(math.ceil(a)),
    "LN": math.log,
    "ROUND": _round,
    "SIN": lambda a: math.sin(math.radians(a)),
    "SQRT": math.sqrt,
    "TAN": lambda a: math.tan(math.radians(a)),
}
