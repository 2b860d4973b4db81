"""The two-level noisy-OR network with leak: causes above, findings below, and its JSON form.

A finding is absent with probability (1 − leak) Π (1 − link) over the causes that are present;
the causes are independent of one another (Heckerman 1989; Pearl, *Probabilistic Reasoning in
Intelligent Systems*, 1988, section 4.3).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pitwise.trade.given import nearest, printable

if TYPE_CHECKING:
    from pitwise.causes.evidence import Evidence

Floats = npt.NDArray[np.float64]

# A file of more links than this is a slip, or would take the memory of the machine.
MOST_LINKS = 1_000_000
MOST_ENTRIES = 20_000_000
_DEEPEST = 6
LEAST_NUMBER = 1e-150
"""Products of two smaller ones are lost in double precision."""


class NetworkError(ValueError):
    """A network or its evidence that cannot be used.

    Attributes
    ----------
    place : str
        Where: "links[3][2]", "seen[0]", "evidence".
    problem : str
        What is wrong there.
    mend : str
        What to do about it.
    """

    def __init__(self, place: str, problem: str, mend: str) -> None:
        place, problem, mend = map(printable, (place, problem, mend))
        super().__init__(f"{place}: {problem}; {mend}")
        self.place = place
        self.problem = problem
        self.mend = mend


@dataclass(frozen=True, eq=False)
class Network:
    """A two-level noisy-OR network.

    Attributes
    ----------
    prior : (n,) array
        Probability that each cause is at work before anything is looked at, 0 to 1.
    leak : (m,) array
        Probability of each finding when none of the causes makes it, 0 to 1.
    link : (n, m) array
        Probability that a cause alone makes a finding, 0 to 1; 0 where there is no link.
    causes, findings : tuple of str
        Their names, unique over both.
    """

    prior: Floats
    leak: Floats
    link: Floats
    causes: tuple[str, ...]
    findings: tuple[str, ...]

    @classmethod
    def of(
        cls,
        prior: npt.ArrayLike,
        leak: npt.ArrayLike,
        link: npt.ArrayLike,
        causes: Sequence[str] | None = None,
        findings: Sequence[str] | None = None,
    ) -> Network:
        """Return a checked network.

        Parameters
        ----------
        prior, leak, link : array-like of shape (n,), (m,), (n, m)
            See the attributes.
        causes, findings : sequence of str, optional
            Names; "cause 0", "finding 0" … when not given.

        Raises
        ------
        NetworkError
            If shapes disagree, a number is no probability, or a name stands twice.
        """
        arrays = {
            name: _probabilities(name, values, dims)
            for name, values, dims in (("prior", prior, 1), ("leak", leak, 1), ("link", link, 2))
        }
        n, m = len(arrays["prior"]), len(arrays["leak"])
        if arrays["link"].shape != (n, m):
            raise NetworkError(
                "link",
                f"shape {arrays['link'].shape} for {n} causes and {m} findings",
                f"give {n} rows of {m} numbers",
            )
        named = (
            _names("causes", causes, n, "cause"),
            _names("findings", findings, m, "finding"),
        )
        both = set(named[0]) & set(named[1])
        if both:
            word = min(both)
            raise NetworkError(
                f"findings[{named[1].index(word)}]",
                f"'{word}' is a cause as well, which makes a cycle",
                "give the cause and the finding names of their own",
            )
        return cls(arrays["prior"], arrays["leak"], arrays["link"], *named)

    def cause(self, name: str) -> int:
        """Return the index of a cause."""
        return _lookup("cause", name, self.causes)

    def finding(self, name: str) -> int:
        """Return the index of a finding."""
        return _lookup("finding", name, self.findings)


def _probabilities(name: str, values: npt.ArrayLike, dims: int) -> Floats:
    try:
        array = np.array(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise NetworkError(name, f"not numbers ({error})", "give numbers from 0 to 1") from error
    if array.ndim != dims:
        if array.size == 0 and dims == 2:
            # [] is how a network without causes or findings is written.
            array = array.reshape((len(array), 0))
        else:
            raise NetworkError(name, f"{array.ndim} dimensions", f"give {dims}")
    wrong = ~((array >= 0) & (array <= 1))
    if wrong.any():
        at = tuple(int(i) for i in np.argwhere(wrong)[0])
        place = name + "".join(f"[{i}]" for i in at)
        raise NetworkError(place, f"{array[at]:g} is no probability", "give a number from 0 to 1")
    array.setflags(write=False)
    return array


def _names(place: str, names: Sequence[str] | None, count: int, word: str) -> tuple[str, ...]:
    if names is None:
        return tuple(f"{word} {i}" for i in range(count))
    if len(names) != count:
        raise NetworkError(place, f"{len(names)} names for {count}", f"name all {count}")
    seen: dict[str, int] = {}
    for i, name in enumerate(names):
        if not isinstance(name, str) or not name.strip():
            raise NetworkError(f"{place}[{i}]", "not a name", "give a text that is not empty")
        if printable(name) != name:
            raise NetworkError(
                f"{place}[{i}]", f"'{name[:60]}' can't be printed", "take out control characters"
            )
        if name in seen:
            raise NetworkError(
                f"{place}[{i}]", f"'{name}' stands at [{seen[name]}] too", "name each once"
            )
        seen[name] = i
    return tuple(names)


def _lookup(word: str, name: str, names: tuple[str, ...]) -> int:
    try:
        return names.index(name)
    except ValueError:
        raise NetworkError(name, f"no {word} of that name", near_words(name, names)) from None


def near_words(name: str, known: Sequence[str]) -> str:
    """Return the mend of an unknown name: the nearest known one, or some of all."""
    near = nearest(name, known)
    if near is not None:
        return f"did you mean '{near}'?"
    shown = ", ".join(known[:8]) + (", …" if len(known) > 8 else "")
    return f"use one of: {shown}" if known else "there are none"


def read_object(
    text: str, what: str, needed: Sequence[str], optional: Sequence[str]
) -> Mapping[str, Any]:
    """Return the JSON object in a text, its keys checked.

    Raises
    ------
    NetworkError
        If the text is not JSON, not an object, nested too deeply, or has keys missing or unknown
        or twice.
    """
    try:
        raw = json.loads(text, object_pairs_hook=_pairs, parse_int=_integer)
    except json.JSONDecodeError as error:
        raise NetworkError(
            f"{what}, line {error.lineno}, column {error.colno}",
            f"not JSON ({error.msg})",
            "mend the text there",
        ) from error
    except RecursionError:
        raise NetworkError(what, "nested too deeply", "give one flat object of lists") from None
    if not isinstance(raw, dict):
        raise NetworkError(what, f"{kind(raw)}, not an object", f"give {{{', '.join(needed)}}}")
    if _depth(raw, _DEEPEST) > _DEEPEST:
        raise NetworkError(what, "nested too deeply", "give one flat object of lists")
    known = [*needed, *optional]
    for key in raw:
        if key not in known:
            raise NetworkError(f"{what}, '{key}'", "unknown key", near_words(key, known))
    for key in needed:
        if key not in raw:
            raise NetworkError(what, f"'{key}' is missing", f'add "{key}": […]')
    return raw


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, value in pairs:
        if key in out:
            raise NetworkError(f"'{key}'", "the key stands twice", "keep one of them")
        out[key] = value
    return out


def _integer(digits: str) -> int | float:
    # Thousands of digits are no index, and int() refuses them with an error of its own.
    return int(digits) if len(digits) <= 18 else float(digits)


def _depth(value: Any, limit: int) -> int:
    level, depth = [value], 0
    while level and depth <= limit:
        depth += 1
        level = [
            child
            for parent in level
            if isinstance(parent, (dict, list))
            for child in (parent.values() if isinstance(parent, dict) else parent)
            if isinstance(child, (dict, list))
        ]
    return depth


def kind(value: Any) -> str:
    """Return what a JSON value is, in words."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, str):
        return "a text"
    if isinstance(value, (int, float)):
        return "a number"
    return "a list" if isinstance(value, list) else "an object"


def read_list(raw: Mapping[str, Any], key: str) -> list[Any]:
    """Return a list of an object; refuses anything else."""
    value = raw.get(key, [])
    if not isinstance(value, list):
        raise NetworkError(key, f"{kind(value)}, not a list", f'give "{key}": […]')
    return value


def read_probability(place: str, value: Any) -> float:
    """Return a probability of a JSON value; true and false are none."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise NetworkError(place, f"{kind(value)}, not a number", "give a number from 0 to 1")
    if not math.isfinite(value) or not 0 <= value <= 1:
        raise NetworkError(place, f"{value:g} is no probability", "give a number from 0 to 1")
    if 0 < value < LEAST_NUMBER:
        raise NetworkError(
            place,
            f"{value:g} is too small to be told from 0 in sums",
            f"give 0, or at least {LEAST_NUMBER:g}",
        )
    return float(value)


def read_index(place: str, value: Any, names: tuple[str, ...], word: str, named: bool) -> int:
    """Return the index that a JSON value gives, as a number or as a name."""
    if isinstance(value, str) and named:
        if value in names:
            return names.index(value)
        raise NetworkError(place, f"no {word} '{value}'", near_words(value, names))
    if isinstance(value, bool) or not isinstance(value, int):
        mend = f"give the {word}'s number, from 0" + (", or its name" if named else "")
        raise NetworkError(place, f"{kind(value)} that is no {word}", mend)
    if not 0 <= value < len(names):
        mend = f"{word}s are numbered 0 to {len(names) - 1}" if names else f"there are no {word}s"
        raise NetworkError(place, f"no {word} {value}", mend)
    return value


def parse_network(text: str) -> Network:
    """Return the network of a JSON text.

    Parameters
    ----------
    text : str
        ``{"priors": […], "leak": […], "links": [[cause, finding, probability], …]}``, causes and
        findings numbered from 0; optional ``"causes"`` and ``"findings"`` name them, and the
        links may then use the names.

    Raises
    ------
    NetworkError
        If anything in it is wrong; says where, and the mend.
    """
    raw = read_object(text, "network", ("priors", "leak", "links"), ("causes", "findings"))
    priors, leak = (
        [read_probability(f"{key}[{i}]", v) for i, v in enumerate(read_list(raw, key))]
        for key in ("priors", "leak")
    )
    links = read_list(raw, "links")
    n, m = len(priors), len(leak)
    if len(links) > MOST_LINKS:
        raise NetworkError(
            "links", f"{len(links):,} of them", f"at most {MOST_LINKS:,} can be used: split it"
        )
    if n * m > MOST_ENTRIES:
        raise NetworkError(
            "network", f"{n:,} causes × {m:,} findings", "split it into parts that share nothing"
        )
    names = [
        _names(key, read_list(raw, key) if key in raw else None, count, word)
        for key, count, word in (("causes", n, "cause"), ("findings", m, "finding"))
    ]
    named = ["causes" in raw, "findings" in raw]
    link = np.zeros((n, m))
    first: dict[tuple[int, int], int] = {}
    for k, row in enumerate(links):
        place = f"links[{k}]"
        if not isinstance(row, list) or len(row) != 3:
            raise NetworkError(
                place,
                f"{kind(row)}" + (f" of {len(row)}" if isinstance(row, list) else ""),
                "give [cause, finding, probability]",
            )
        cause = read_index(f"{place}[0]", row[0], names[0], "cause", named[0])
        finding = read_index(f"{place}[1]", row[1], names[1], "finding", named[1])
        if (cause, finding) in first:
            raise NetworkError(
                place,
                f"cause {cause} and finding {finding} are linked by "
                f"links[{first[cause, finding]}] already",
                "keep one of the two",
            )
        first[cause, finding] = k
        link[cause, finding] = read_probability(f"{place}[2]", row[2])
    return Network.of(priors, leak, link, *names)


def parse_evidence(network: Network, text: str) -> Evidence:
    """Return the evidence of a JSON text.

    Parameters
    ----------
    text : str
        ``{"seen": […], "absent": […]}``: findings by number from 0, or by name. Either may be
        left out; what stands in neither was not looked at.

    Raises
    ------
    NetworkError
        If a finding is unknown, stands twice, or is both seen and absent.
    """
    from pitwise.causes.evidence import Evidence

    raw = read_object(text, "evidence", (), ("seen", "absent"))
    where: dict[int, str] = {}
    sets: dict[str, set[int]] = {"seen": set(), "absent": set()}
    for key, out in sets.items():
        for i, value in enumerate(read_list(raw, key)):
            place = f"{key}[{i}]"
            index = read_index(place, value, network.findings, "finding", True)
            if index in where:
                problem = f"finding '{network.findings[index]}' stands at {where[index]} too"
                if not where[index].startswith(key):
                    problem += ": it cannot be both seen and absent"
                raise NetworkError(place, problem, "keep one of the two")
            where[index] = place
            out.add(index)
    return Evidence(frozenset(sets["seen"]), frozenset(sets["absent"]))
