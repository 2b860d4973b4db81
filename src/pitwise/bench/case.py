"""Read an inspection from plain data (the JSON of `pitwise decide`), or say what to mend."""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from pitwise.bench.decide import PIT_PART, Inspection, PartLook
from pitwise.measure.conformity import Expected
from pitwise.measure.depth import MM_PER_UNIT, Depth, ReadingError, parse_depth
from pitwise.trade.model import ProcessSelector, Sheet, normal_name

_TOP = ("process", "coolant", "gauge", "parts", "last_pit_depth", "confirmed")
_PART = ("seen", "absent", "looked")
_PIT = ("pit_depth", "last_pit_depth", "forecast")
_FORECAST = ("mean_mm", "sd_mm", "low_mm", "high_mm")
_PROCESS = ("amps", "material", "plasma_gas", "shield_gas")
_QUESTIONS = (
    "unit-slip",
    "deeper-than-emitter",
    "shallower-than-before",
    "shallower-than-expected",
    "deeper-than-expected",
    "repeats-disagree",
)
_MAX_READINGS = 50
_MAX_U_MM = 10.0


class CaseError(ValueError):
    """Input that can't be decided on: names the place in it and the mend.

    Attributes
    ----------
    place : str
        Path in the input, such as ``parts.nozzle.seen[2]``.
    problem, mend : str
    """

    def __init__(self, place: str, problem: str, mend: str) -> None:
        self.place, self.problem, self.mend = place, problem, mend
        super().__init__(f"{place or 'input'}: {problem}. Mend: {mend}.")


def _shown(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "…"


def _near(word: str, known: Iterable[str]) -> str:
    known = list(known)
    near = difflib.get_close_matches(word, known, 1, 0.5)
    return f"did you mean '{near[0]}'" if near else f"use one of: {', '.join(known)}"


def _object(value: object, place: str, keys: Iterable[str] | None) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise CaseError(place, f"{_shown(value)} is not an object", "write { … } here")
    if keys is not None:
        known = list(keys)
        for key in value:
            if key not in known:
                raise CaseError(
                    f"{place}.{key}".strip(".")[:120],
                    "not a field that is known here",
                    _near(str(key), known),
                )
    return value


def _list(value: object, place: str) -> list[Any]:
    if not isinstance(value, list):
        raise CaseError(place, f"{_shown(value)} is not a list", "write [ … ] here")
    return value


def _text(value: object, place: str) -> str:
    if not isinstance(value, str) or not value.strip():
        raise CaseError(place, f"{_shown(value)} is not a text", 'write it in quotes, such as "…"')
    if len(value) > 200:
        raise CaseError(place, "the text is longer than 200 characters", "shorten it")
    return value


def _number(value: object, place: str, low: float, high: float, unit: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise CaseError(
            place,
            f"{_shown(value)} is not a number",
            f"write a plain number in {unit}, without quotes",
        )
    # Compare before float(): an int may be too large for a double.
    if not low <= value <= high or math.isnan(value):
        raise CaseError(
            place,
            f"{_shown(value)} is out of range",
            f"give a number from {low:g} to {high:g} {unit}",
        )
    return float(value)


def _process(value: object) -> ProcessSelector:
    raw = _object(value, "process", _PROCESS)
    fields: dict[str, Any] = {}
    for key, item in raw.items():
        place = f"process.{key}"
        if item is None:
            continue
        if key == "amps":
            fields[key] = _number(item, place, 1, 2000, "A")
        else:
            fields[key] = _text(item, place).strip()
    return ProcessSelector(**fields)


def coolant_id(sheet: Sheet, text: str) -> str | None:
    """Find the sheet's coolant for a name; names with 'glycol' count as the glycol mix."""
    row = sheet.coolant(text)
    if row is not None:
        return row.id
    if "glycol" in normal_name(text):
        return next((c.id for c in sheet.coolants if c.glycol), None)
    return None


def _coolant(sheet: Sheet, value: object) -> str | None:
    if value is None:
        return None
    text = _text(value, "coolant")
    found = coolant_id(sheet, text)
    if found is None:
        raise CaseError(
            "coolant",
            f"'{text[:40]}' is not a coolant of this sheet",
            _near(text, [c.id for c in sheet.coolants]),
        )
    return found


def _depth(value: object, place: str, unit: str) -> Depth:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise CaseError(place, f"{_shown(value)} is not a depth", 'write it as "1.45 mm"')
    try:
        return parse_depth(value, unit)
    except ReadingError as error:
        problem, _, mend = str(error).partition(": ")
        raise CaseError(place, problem, mend or 'write it as "1.45 mm"') from error


def _findings(sheet: Sheet, slug: str, value: object, place: str) -> frozenset[str]:
    out = set()
    known = [f.id for f in sheet.findings_of(slug)]
    for number, item in enumerate(_list(value, place)):
        spot = f"{place}[{number}]"
        word = _text(item, spot)
        if word not in known:
            raise CaseError(
                spot,
                f"'{word[:60]}' is not a finding of the {sheet.part(slug).name.lower()}",
                _near(word, known),
            )
        out.add(word)
    return frozenset(out)


def _part(sheet: Sheet, slug: str, value: object, unit: str, last: Depth | None) -> PartLook:
    place = f"parts.{slug}"
    raw = _object(value, place, _PART + (_PIT if slug == PIT_PART else ()))
    seen = _findings(sheet, slug, raw.get("seen", []), f"{place}.seen")
    absent = _findings(sheet, slug, raw.get("absent", []), f"{place}.absent")
    both = sorted(seen & absent)
    if both:
        raise CaseError(place, f"'{both[0]}' is both seen and absent", "keep it in one list")
    looked = raw.get("looked", False)
    if not isinstance(looked, bool):
        raise CaseError(
            f"{place}.looked",
            f"{_shown(looked)} is not true or false",
            "write true or false, without quotes",
        )
    pits: tuple[Depth, ...] = ()
    if raw.get("pit_depth") is not None:
        items = raw["pit_depth"]
        items = items if isinstance(items, list) else [items]
        if len(items) > _MAX_READINGS:
            raise CaseError(
                f"{place}.pit_depth",
                f"{len(items)} readings of one pit",
                f"give at most {_MAX_READINGS}",
            )
        pits = tuple(_depth(v, f"{place}.pit_depth[{i}]", unit) for i, v in enumerate(items))
    if raw.get("last_pit_depth") is not None:
        last = _depth(raw["last_pit_depth"], f"{place}.last_pit_depth", unit)
    expected = None
    if raw.get("forecast") is not None:
        expected = _forecast(raw["forecast"], f"{place}.forecast")
    return PartLook(seen, absent, looked, pits, last if slug == PIT_PART else None, expected)


def _forecast(value: object, place: str) -> Expected:
    raw = _object(value, place, _FORECAST)
    numbers = {}
    for key, low in zip(_FORECAST, (0.0, 1e-6, -100.0, 0.0), strict=True):
        if key not in raw:
            raise CaseError(f"{place}.{key}", "missing", f"give {', '.join(_FORECAST)}")
        numbers[key] = _number(raw[key], f"{place}.{key}", low, 100.0, "mm")
    if not numbers["low_mm"] < numbers["mean_mm"] < numbers["high_mm"]:
        raise CaseError(
            place, "mean_mm does not lie between low_mm and high_mm", "correct the three numbers"
        )
    return Expected(**numbers)


def read_case(sheet: Sheet, data: object) -> Inspection:
    """Check plain data and make an inspection of it.

    Parameters
    ----------
    sheet : Sheet
        Whose parts and findings the data may name.
    data : object
        What `json.loads` gave: the input of `pitwise decide`.

    Returns
    -------
    Inspection

    Raises
    ------
    CaseError
        Naming the place in the input and the mend.
    """
    raw = _object(data, "", _TOP)
    gauge = _object(raw.get("gauge") or {}, "gauge", ("u_mm", "unit"))
    u_mm = None
    if gauge.get("u_mm") is not None:
        u_mm = _number(gauge["u_mm"], "gauge.u_mm", 0, _MAX_U_MM, "mm")
    unit = gauge.get("unit", "mm")
    if unit not in MM_PER_UNIT:
        raise CaseError("gauge.unit", f"{_shown(unit)} is not a unit", "use mm, thou or in")
    last = None
    if raw.get("last_pit_depth") is not None:
        last = _depth(raw["last_pit_depth"], "last_pit_depth", unit)
    if "parts" not in raw:
        raise CaseError(
            "parts", "nothing was looked at", 'add "parts" with what was seen on each part'
        )
    slugs = [p.id for p in sheet.parts]
    known_part: Callable[[str], bool] = slugs.__contains__
    parts: dict[str, PartLook] = {}
    for slug, value in _object(raw["parts"], "parts", None).items():
        if not known_part(slug):
            raise CaseError(f"parts.{slug}"[:120], "not a part of the torch", _near(slug, slugs))
        parts[slug] = _part(sheet, slug, value, unit, last)
    answered = set()
    for number, item in enumerate(_list(raw.get("confirmed", []), "confirmed")):
        code = _text(item, f"confirmed[{number}]")
        known = [*_QUESTIONS, *(c.id for c in sheet.contradictions)]
        if code not in known:
            raise CaseError(
                f"confirmed[{number}]", f"'{code[:60]}' is not a question", _near(code, known)
            )
        answered.add(code)
    process = _process(raw["process"]) if raw.get("process") is not None else ProcessSelector()
    return Inspection(
        parts, process, _coolant(sheet, raw.get("coolant")), u_mm, frozenset(answered)
    )


def parse_case(sheet: Sheet, text: str) -> Inspection:
    """Read an inspection from JSON text; raises CaseError naming line and column."""

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for key, value in pairs:
            if key in out:
                raise CaseError(key[:60], "stands twice in the same object", "keep one of them")
            out[key] = value
        return out

    try:
        data = json.loads(text, object_pairs_hook=once)
    except json.JSONDecodeError as error:
        raise CaseError(
            f"line {error.lineno}, column {error.colno}",
            f"not JSON: {error.msg}",
            "correct the text there",
        ) from error
    except RecursionError as error:
        raise CaseError(
            "input", "nested too deeply", "follow the form in docs/decide.md"
        ) from error
    except ValueError as error:
        if isinstance(error, CaseError):
            raise
        raise CaseError("input", f"unreadable number ({error})", "write plain numbers") from error
    return read_case(sheet, data)
