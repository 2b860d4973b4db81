"""Read an inspection from plain data (the JSON of `pitwise decide`), or say what to mend."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pitwise.bench.decide import PIT_PART, HoleReading, Inspection, PartLook
from pitwise.bench.holes import SMALLER_THAN_NEW
from pitwise.measure.conformity import Expected
from pitwise.measure.depth import MM_PER_UNIT, Depth, ReadingError, parse_depth
from pitwise.trade.given import (
    InputError,
    a_flag,
    a_list,
    a_number,
    a_text,
    an_object,
    near,
    parse_json,
    shown,
)
from pitwise.trade.model import ProcessSelector, Sheet, normal_name
from pitwise.trade.quantities import PHOTO_PARTS, quantities_of

CaseError = InputError

_TOP = ("process", "coolant", "gauge", "parts", "last_pit_depth", "confirmed")
_PART = ("seen", "absent", "looked")
_PIT = ("pit_depth", "last_pit_depth", "forecast")
_MOST_WORDS = 200
_HOLE = ("quantity", "value", "u_mm", "floor_mm", "photos", "not_known")
_FORECAST = ("mean_mm", "sd_mm", "low_mm", "high_mm")
_PROCESS = ("amps", "material", "plasma_gas", "shield_gas")
_QUESTIONS = (
    "unit-slip",
    "deeper-than-emitter",
    "shallower-than-before",
    "shallower-than-expected",
    "deeper-than-expected",
    "repeats-disagree",
    SMALLER_THAN_NEW,
)
_MAX_READINGS = 50
_MAX_U_MM = 10.0
_MOST_HOLE_MM = 100.0


def _process(value: object) -> ProcessSelector:
    raw = an_object(value, "process", _PROCESS)
    fields: dict[str, Any] = {}
    for key, item in raw.items():
        place = f"process.{key}"
        if item is None:
            continue
        if key == "amps":
            fields[key] = a_number(item, place, 1, 2000, "A")
        else:
            fields[key] = a_text(item, place).strip()
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
    text = a_text(value, "coolant")
    found = coolant_id(sheet, text)
    if found is None:
        raise CaseError(
            "coolant",
            f"'{text[:40]}' is not a coolant of this sheet",
            near(text, [c.id for c in sheet.coolants]),
        )
    return found


def _depth(value: object, place: str, unit: str) -> Depth:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise CaseError(place, f"{shown(value)} is not a depth", 'write it as "1.45 mm"')
    try:
        return parse_depth(value, unit)
    except ReadingError as error:
        problem, _, mend = str(error).partition(": ")
        raise CaseError(place, problem, mend or 'write it as "1.45 mm"') from error


def _findings(sheet: Sheet, slug: str, value: object, place: str) -> frozenset[str]:
    out = set()
    known = [f.id for f in sheet.findings_of(slug)]
    for number, item in enumerate(a_list(value, place)):
        spot = f"{place}[{number}]"
        word = a_text(item, spot)
        if word not in known:
            raise CaseError(
                spot,
                f"'{word[:60]}' is not a finding of the {sheet.part(slug).name.lower()}",
                near(word, known),
            )
        out.add(word)
    return frozenset(out)


def _part(sheet: Sheet, slug: str, value: object, unit: str, last: Depth | None) -> PartLook:
    place = f"parts.{slug}"
    more = (_PIT if slug == PIT_PART else ()) + (("holes",) if slug in PHOTO_PARTS else ())
    raw = an_object(value, place, _PART + more)
    seen = _findings(sheet, slug, raw.get("seen", []), f"{place}.seen")
    absent = _findings(sheet, slug, raw.get("absent", []), f"{place}.absent")
    both = sorted(seen & absent)
    if both:
        raise CaseError(place, f"'{both[0]}' is both seen and absent", "keep it in one list")
    looked = a_flag(raw.get("looked", False), f"{place}.looked")
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
    holes = tuple(
        _hole(slug, item, f"{place}.holes[{number}]")
        for number, item in enumerate(a_list(raw.get("holes", []), f"{place}.holes"))
    )
    if len(holes) > _MAX_READINGS:
        raise CaseError(
            f"{place}.holes", f"{len(holes)} measures of one part", f"give at most {_MAX_READINGS}"
        )
    return PartLook(seen, absent, looked, pits, last if slug == PIT_PART else None, expected, holes)


def _hole(slug: str, value: object, place: str) -> HoleReading:
    raw = an_object(value, place, _HOLE)
    if "quantity" not in raw or "value" not in raw:
        missing = "quantity" if "quantity" not in raw else "value"
        raise CaseError(f"{place}.{missing}", "missing", 'give "quantity" and "value"')
    word = a_text(raw["quantity"], f"{place}.quantity")
    known = quantities_of(slug)
    quantity = next((q for q in known if q == word), None)
    if quantity is None:
        raise CaseError(
            f"{place}.quantity", f"'{word[:60]}' is not measured on the {slug}", near(word, known)
        )
    text = raw["value"]
    below = quantity == "orifice-growth" and str(text).lstrip()[:1] in ("-", "−")
    depth = _depth(str(text).lstrip()[1:] if below else text, f"{place}.value", "mm")
    numbers: dict[str, float | None] = {}
    for key in ("u_mm", "floor_mm"):
        given = raw.get(key)
        numbers[key] = (
            None if given is None else a_number(given, f"{place}.{key}", 0, _MAX_U_MM, "mm")
        )
    photos = a_number(raw.get("photos", 1), f"{place}.photos", 1, 100, "photos")
    if photos != int(photos):
        raise CaseError(f"{place}.photos", f"{photos:g} is no whole number", "count the photos")
    mm = float(depth.mm) * (-1 if below else 1)
    if not abs(mm) <= _MOST_HOLE_MM:
        raise CaseError(f"{place}.value", f"{mm:g} mm is no hole", f"up to {_MOST_HOLE_MM:g} mm")
    why = raw.get("not_known")
    return HoleReading(
        quantity,
        mm,
        numbers["u_mm"],
        numbers["floor_mm"],
        int(photos),
        not_known="" if why is None else a_text(why, f"{place}.not_known")[:_MOST_WORDS].strip(),
    )


def _forecast(value: object, place: str) -> Expected:
    raw = an_object(value, place, _FORECAST)
    numbers = {}
    for key, low in zip(_FORECAST, (0.0, 1e-6, -100.0, 0.0), strict=True):
        if key not in raw:
            raise CaseError(f"{place}.{key}", "missing", f"give {', '.join(_FORECAST)}")
        numbers[key] = a_number(raw[key], f"{place}.{key}", low, 100.0, "mm")
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
    raw = an_object(data, "", _TOP)
    gauge = an_object(raw.get("gauge") or {}, "gauge", ("u_mm", "unit"))
    u_mm = None
    if gauge.get("u_mm") is not None:
        u_mm = a_number(gauge["u_mm"], "gauge.u_mm", 0, _MAX_U_MM, "mm")
    unit = gauge.get("unit", "mm")
    if unit not in MM_PER_UNIT:
        raise CaseError("gauge.unit", f"{shown(unit)} is not a unit", "use mm, thou or in")
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
    for slug, value in an_object(raw["parts"], "parts", None).items():
        if not known_part(slug):
            raise CaseError(f"parts.{slug}"[:120], "not a part of the torch", near(slug, slugs))
        parts[slug] = _part(sheet, slug, value, unit, last)
    answered = set()
    for number, item in enumerate(a_list(raw.get("confirmed", []), "confirmed")):
        code = a_text(item, f"confirmed[{number}]")
        known = [*_QUESTIONS, *(c.id for c in sheet.contradictions)]
        if code not in known:
            raise CaseError(
                f"confirmed[{number}]", f"'{code[:60]}' is not a question", near(code, known)
            )
        answered.add(code)
    process = _process(raw["process"]) if raw.get("process") is not None else ProcessSelector()
    return Inspection(
        parts, process, _coolant(sheet, raw.get("coolant")), u_mm, frozenset(answered)
    )


def parse_case(sheet: Sheet, text: str) -> Inspection:
    """Read an inspection from JSON text; raises CaseError naming line and column."""
    return read_case(sheet, parse_json(text, "docs/decide.md"))
