"""Read observations from plain data (the JSON of `pitwise causes`), or say what to mend."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from pitwise.causes.from_bench import Look, bench_signs, symptoms_from_bench
from pitwise.causes.observe import STATES, Observations, State
from pitwise.causes.pit import PIT_PART, PIT_SYMPTOM, faster_of, pit_log_ratio
from pitwise.causes.readings import Reading
from pitwise.measure.depth import MM_PER_UNIT, Depth, ReadingError, parse_depth
from pitwise.trade.given import (
    InputError,
    a_flag,
    a_list,
    a_number,
    a_text,
    an_object,
    near,
    nearest,
    parse_json,
    shown,
)
from pitwise.trade.model import Sheet
from pitwise.trade.units import UnitError

_OWN = ("findings", "readings", "context", "answered", "done", "excluded")
# Fields of an inspection file: that file may be given as it is.
_BENCH = ("parts", "gauge", "process", "coolant", "last_pit_depth", "confirmed")
_PART = ("seen", "absent", "looked")
_PIT = ("pit_depth", "last_pit_depth", "forecast")
_FORECAST = ("mean_mm", "sd_mm", "low_mm", "high_mm")
_MOST_READINGS = 50
_MOST_CONTEXT = 50


def parse_observations(sheet: Sheet, text: str) -> Observations:
    """Read observations from JSON text; raises InputError naming the place and the mend."""
    return read_observations(sheet, parse_json(text, "docs/causes.md"))


def read_observations(sheet: Sheet, data: object) -> Observations:
    """Check plain data and make observations of it.

    Parameters
    ----------
    sheet : Sheet
        Whose symptoms, bench findings, readings, checks, causes and conflicts may be named.
    data : object
        What `json.loads` gave.

    Returns
    -------
    Observations
        Bench findings already turned into symptoms, a gauged pit with a forecast into a log
        likelihood ratio.

    Raises
    ------
    InputError
        Naming the place in the input and the mend.
    """
    raw = an_object(data, "", (*_OWN, *_BENCH))
    u_mm, unit = _gauge(_section(raw, "gauge", ("u_mm", "unit")))
    looks: dict[str, Look] = {}
    ratios: dict[str, float] = {}
    slugs = [p.id for p in sheet.parts]
    for slug, value in _section(raw, "parts").items():
        if slug not in slugs:
            raise InputError(f"parts.{slug}"[:120], "not a part of the torch", near(slug, slugs))
        place = f"parts.{slug}"
        part = an_object(value, place, (*_PART, *(_PIT if slug == PIT_PART else ())))
        looks[slug] = _look(sheet, slug, part, place)
        if slug == PIT_PART:
            ratios.update(_pit(sheet, part, place, unit, u_mm))
    typed = _findings(sheet, _section(raw, "findings"), looks)
    states: dict[str, State] = symptoms_from_bench(sheet, looks)
    for name, state in typed.items():
        bench = states.get(name)
        if bench is not None and (bench == "absent") != (state == "absent"):
            raise InputError(
                f"findings.{name}",
                f"is {state!r}, but the parts' findings make it {bench!r}",
                "correct one of the two",
            )
        states[name] = state
    signs = bench_signs(sheet)
    seen = sorted(f"{slug}/{x}" for slug, look in looks.items() for x in look.seen)
    return Observations(
        findings=states,
        readings=_readings(sheet, _section(raw, "readings")),
        log_ratios=ratios,
        context=_context(_section(raw, "context")),
        answered=_ids(raw, "answered"),
        done=_ids(raw, "done"),
        excluded=_ids(raw, "excluded"),
        told_nothing=tuple(name for name in seen if name not in signs),
    )


def _section(
    raw: Mapping[str, Any], key: str, keys: Iterable[str] | None = None
) -> Mapping[str, Any]:
    """Return an object of the input; one that is not there is empty, and so is the bench's null."""
    if key not in raw or (raw[key] is None and key not in _OWN):
        return {}
    return an_object(raw[key], key, keys)


def _gauge(gauge: Mapping[str, Any]) -> tuple[float, str]:
    u_mm = 0.0
    if gauge.get("u_mm") is not None:
        u_mm = a_number(gauge["u_mm"], "gauge.u_mm", 0, 10.0, "mm")
    unit = gauge.get("unit", "mm")
    if not isinstance(unit, str) or unit not in MM_PER_UNIT:
        raise InputError("gauge.unit", f"{shown(unit)} is not a unit", "use mm, thou or in")
    return u_mm, unit


def _look(sheet: Sheet, slug: str, raw: Mapping[str, Any], place: str) -> Look:
    known = [f.id for f in sheet.findings_of(slug)]
    sets: dict[str, set[str]] = {}
    for key in ("seen", "absent"):
        sets[key] = set()
        for i, word in enumerate(a_list(raw.get(key, []), f"{place}.{key}")):
            spot = f"{place}.{key}[{i}]"
            sets[key].add(_bench_id(sheet, slug, known, a_text(word, spot), spot))
    both = sorted(sets["seen"] & sets["absent"])
    if both:
        raise InputError(place, f"'{both[0]}' is both seen and absent", "keep it in one list")
    return Look(sets["seen"], sets["absent"], a_flag(raw.get("looked", False), f"{place}.looked"))


def _bench_id(sheet: Sheet, slug: str, known: list[str], word: str, place: str) -> str:
    if word not in known:
        raise InputError(
            place,
            f"'{word[:60]}' is not a finding of the {sheet.part(slug).name.lower()}",
            near(word, known),
        )
    return word


def _findings(sheet: Sheet, raw: Mapping[str, Any], looks: dict[str, Look]) -> dict[str, State]:
    """Return the states of symptoms typed; bench ids go into `looks`."""
    out: dict[str, State] = {}
    symptoms = {s.id: s for s in sheet.symptoms}
    for name, given in raw.items():
        place = f"findings.{name}"[:120]
        if name not in symptoms and "/" not in name:
            bench = [f"{f.part}/{f.id}" for f in sheet.findings]
            raise InputError(
                place,
                "not a finding of this sheet",
                _near_finding(name, [*symptoms, *bench]),
            )
        state = _state(given, place)
        if name in symptoms:
            if state in ("slight", "much") and symptoms[name].kind != "graded":
                raise InputError(
                    place, f"'{state}' is for graded findings only", "write 'seen' or 'absent'"
                )
            out[name] = state
            continue
        slug, _, word = name.partition("/")
        slugs = [p.id for p in sheet.parts]
        if slug not in slugs:
            raise InputError(place, f"'{slug[:60]}' is not a part of the torch", near(slug, slugs))
        _bench_id(sheet, slug, [f.id for f in sheet.findings_of(slug)], word, place)
        if state in ("slight", "much"):
            raise InputError(
                place, f"'{state}' is not for the bench's findings", "write 'seen' or 'absent'"
            )
        look = looks.get(slug, Look())
        seen, absent = set(look.seen), set(look.absent)
        if word in (absent if state == "seen" else seen):
            raise InputError(place, "is both seen and absent", "keep one of the two")
        (seen if state == "seen" else absent).add(word)
        looks[slug] = Look(seen, absent, look.looked)
    return out


def _near_finding(name: str, known: list[str]) -> str:
    found = nearest(name, known) if len(name) > 1 else None
    if found is not None:
        return f"did you mean '{found}'"
    return f"`pitwise sheet show` lists all {len(known)}"


def _state(value: object, place: str) -> State:
    for state in STATES:
        if value == state:
            return state
    if not isinstance(value, str):
        raise InputError(place, f"{shown(value)} is not a state", f"write one of {_STATE_WORDS}")
    raise InputError(
        place,
        f"'{value[:60]}' is not a state",
        near(value, STATES) + "; leave out what was not looked at",
    )


_STATE_WORDS = ", ".join(f'"{s}"' for s in STATES)


def _readings(sheet: Sheet, section: Mapping[str, Any]) -> dict[str, Reading]:
    kinds = {r.id: r for r in sheet.readings}
    by_symptom: dict[str, list[str]] = {}
    for kind in sheet.readings:
        for symptom in sorted({feed.symptom for feed in kind.feeds}):
            by_symptom.setdefault(symptom, []).append(kind.id)
    only = {s: ids[0] for s, ids in by_symptom.items() if len(ids) == 1}
    out: dict[str, Reading] = {}
    for name, given in section.items():
        place = f"readings.{name}"[:120]
        code = name if name in kinds else only.get(name)
        if code is None:
            if name in by_symptom:
                raise InputError(
                    place,
                    "several readings tell on that finding",
                    f"use one of: {', '.join(by_symptom[name])}",
                )
            raise InputError(place, "not a reading of this sheet", near(name, [*kinds, *only]))
        if code in out:
            raise InputError(place, f"reading '{code}' stands twice", "keep one of them")
        raw = an_object(given, place, ("value", "unit"))
        for key in ("value", "unit"):
            if key not in raw:
                raise InputError(
                    f"{place}.{key}",
                    "missing",
                    f'write {{"value": …, "unit": "{kinds[code].unit}"}}',
                )
        number = a_number(raw["value"], f"{place}.value", -1e9, 1e9, kinds[code].unit)
        unit = a_text(raw["unit"], f"{place}.unit")
        try:
            kinds[code].canonical(number, unit)
        except UnitError as error:
            raise InputError(place, error.problem, error.mend) from error
        out[code] = Reading(number, unit)
    return out


def _context(raw: Mapping[str, Any]) -> dict[str, str]:
    if len(raw) > _MOST_CONTEXT:
        raise InputError("context", f"{len(raw)} words of context", f"give at most {_MOST_CONTEXT}")
    out = {}
    for key, given in raw.items():
        place = f"context.{key}"[:120]
        if isinstance(given, bool) or not isinstance(given, str | int | float):
            raise InputError(place, f"{shown(given)} is not a word", 'write it in quotes: "…"')
        if isinstance(given, float) and not math.isfinite(given):
            raise InputError(place, "is not a finite number", "write a plain number or a word")
        out[key] = a_text(given, place) if isinstance(given, str) else shown(given)
    return out


def _ids(raw: Mapping[str, Any], key: str) -> frozenset[str]:
    words = a_list(raw.get(key, []), key)
    return frozenset(a_text(word, f"{key}[{i}]") for i, word in enumerate(words))


def _pit(
    sheet: Sheet, raw: Mapping[str, Any], place: str, unit: str, u_mm: float
) -> dict[str, float]:
    """Return what a gauged pit says against its forecast; nothing without both."""
    if raw.get("pit_depth") is None:
        return {}
    items = raw["pit_depth"]
    items = items if isinstance(items, list) else [items]
    if not 1 <= len(items) <= _MOST_READINGS:
        raise InputError(
            f"{place}.pit_depth",
            f"{len(items)} readings of one pit",
            f"give 1 to {_MOST_READINGS}",
        )
    depths = [_depth(v, f"{place}.pit_depth[{i}]", unit) for i, v in enumerate(items)]
    if raw.get("forecast") is None:
        return {}
    given = an_object(raw["forecast"], f"{place}.forecast", _FORECAST)
    numbers = {}
    for key, low in zip(_FORECAST[:2], (0.0, 1e-6), strict=True):
        if key not in given:
            raise InputError(f"{place}.forecast.{key}", "missing", "give mean_mm and sd_mm")
        numbers[key] = a_number(given[key], f"{place}.forecast.{key}", low, 100.0, "mm")
    if PIT_SYMPTOM not in {s.id for s in sheet.symptoms}:
        return {}
    mean = math.fsum(float(d.mm) for d in depths) / len(depths)
    sd = math.hypot(numbers["sd_mm"], u_mm / math.sqrt(len(depths)))
    return {PIT_SYMPTOM: pit_log_ratio(mean, numbers["mean_mm"], sd, faster_of(sheet))}


def _depth(value: object, place: str, unit: str) -> Depth:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise InputError(place, f"{shown(value)} is not a depth", 'write it as "1.45 mm"')
    try:
        return parse_depth(value, unit)
    except ReadingError as error:
        problem, _, mend = str(error).partition(": ")
        raise InputError(place, problem, mend or 'write it as "1.45 mm"') from error
