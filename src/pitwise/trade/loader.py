"""Read trade sheets from TOML text, check them, lay a shop's overlay on top.

A broken sheet is refused whole, with the file, the row and the mend; nothing of
it is used.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, StringConstraints, ValidationError

from pitwise.trade.cause_checks import check_causes
from pitwise.trade.cause_rows import (
    CODE_PATTERN,
    Cause,
    Check,
    Conflict,
    Link,
    Normal,
    ReadingKind,
    Remedy,
    Symptom,
)
from pitwise.trade.model import (
    PART_SLUGS,
    ROW_TABLES,
    Caution,
    Constant,
    Contradiction,
    Coolant,
    Finding,
    Growth,
    Limit,
    Pairing,
    Part,
    Sheet,
)
from pitwise.trade.quantities import GROWING
from pitwise.trade.row import Slug

_ROW_TYPES: dict[str, type[BaseModel]] = {
    "part": Part,
    "finding": Finding,
    "limit": Limit,
    "pairing": Pairing,
    "contradiction": Contradiction,
    "coolant": Coolant,
    "caution": Caution,
    "constant": Constant,
    "growth": Growth,
    "cause": Cause,
    "symptom": Symptom,
    "link": Link,
    "check": Check,
    "remedy": Remedy,
    "reading": ReadingKind,
    "normal": Normal,
    "conflict": Conflict,
}
_KEYS = {
    "finding": ("part", "id"),
    "pairing": ("when", "takes"),
    "growth": ("quantity",),
    "link": ("cause", "symptom"),
}
_NEEDED_CONSTANTS = (
    "accepted-risk",
    "gauge-u-default",
    "emitter-deepest",
    "shallower-coverage",
    "try-at",
    "likelihood-cap",
    "link-cases",
    "leak-cases",
    "base-cases",
)
_MENDS = {
    "missing": "add this field",
    "extra_forbidden": "take this field out, or mend its spelling",
    "literal_error": "use one of the words listed",
    "string_pattern_mismatch": "use lower-case letters, digits and single hyphens",
    "string_too_short": "write something here",
    "string_too_long": "make it shorter",
    "decimal_parsing": 'write the figure as quoted text, such as "1.5"',
    "float_type": "write a plain number, without quotes",
    "finite_number": "correct this value to a plain number",
    "bool_type": "write true or false",
    "date_from_datetime_parsing": "write the date as 2026-01-31",
}


class _Head(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    id: Slug
    version: Annotated[str, StringConstraints(min_length=1, max_length=40)]
    title: str
    text: str = ""


class SheetError(ValueError):
    """A trade sheet that can't be used: names the file, the row and the mend.

    Attributes
    ----------
    file : str
        The sheet file.
    row : str
        The row in it, e.g. ``finding 12 (nozzle scale), line 88``; empty for the whole file.
    problem, mend : str
        What is wrong, and what to do about it.
    """

    def __init__(self, file: str, row: str, problem: str, mend: str) -> None:
        self.file, self.row, self.problem, self.mend = file, row, problem, mend
        place = f"{file}, {row}" if row else file
        super().__init__(f"{place}: {problem}. Mend: {mend}.")


def _header_lines(text: str) -> dict[str, list[int]]:
    """Line numbers of every ``[[table]]`` header, by table."""
    lines: dict[str, list[int]] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        found = re.match(r"\s*\[\[\s*([A-Za-z0-9_-]+)\s*\]\]", line)
        if found:
            lines.setdefault(found[1], []).append(number)
    return lines


def _row_name(table: str, number: int, raw: Any, lines: dict[str, list[int]]) -> str:
    named = ""
    if isinstance(raw, dict):
        key = " ".join(str(raw[k]) for k in _KEYS.get(table, ("id",)) if k in raw)
        named = f" ({key[:80]})" if key else ""
    places = lines.get(table, [])
    line = f", line {places[number - 1]}" if len(places) >= number else ""
    return f"{table} {number}{named}{line}"


def _key(table: str, row: BaseModel) -> tuple[str, ...]:
    return tuple(str(getattr(row, k)) for k in _KEYS.get(table, ("id",)))


def _refusal(file: str, row: str, error: ValidationError) -> SheetError:
    first = error.errors(include_url=False)[0]
    field = ".".join(str(p) for p in first["loc"])
    message = str(first["msg"]).removeprefix("Value error, ")
    kind = first["type"]
    mend = _MENDS.get(kind, "correct this value")
    if first.get("ctx", {}).get("pattern") == CODE_PATTERN:
        mend = "use letters, digits and single underscores, beginning with a letter"
    if kind == "value_error" and ": " in message:
        message, mend = message.split(": ", 1)
    problem = f"'{field}': {message[0].lower()}{message[1:]}" if field else message
    return SheetError(file, row, problem, mend)


Places = dict[tuple[str, tuple[str, ...]], tuple[str, str]]


def _read_file(
    file: str,
    text: str,
    heads: list[_Head],
    rows: dict[str, dict[tuple[str, ...], BaseModel]],
    places: Places,
    overlay: bool,
) -> None:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SheetError(
            file, "", f"not readable as TOML: {error}", "correct the line named"
        ) from error
    lines = _header_lines(text)
    own: dict[tuple[str, tuple[str, ...]], str] = {}
    for table, body in data.items():
        if table == "sheet":
            try:
                heads.append(_Head.model_validate(body))
            except ValidationError as error:
                raise _refusal(file, "[sheet]", error) from error
            continue
        if table not in _ROW_TYPES:
            near = difflib.get_close_matches(table, [*_ROW_TYPES, "sheet"], 1)
            hint = f"did you mean [[{near[0]}]]" if near else f"use {', '.join(_ROW_TYPES)}"
            raise SheetError(file, f"[{table[:60]}]", "no such table in a trade sheet", hint)
        if not isinstance(body, list):
            raise SheetError(
                file,
                f"[{table}]",
                "this table takes rows",
                f"write [[{table}]] with two brackets before each row",
            )
        for number, raw in enumerate(body, start=1):
            name = _row_name(table, number, raw, lines)
            try:
                row = _ROW_TYPES[table].model_validate(raw)
            except ValidationError as error:
                raise _refusal(file, name, error) from error
            if isinstance(row, Limit) and overlay:
                row = row.model_copy(update={"shop": True})
            key = _key(table, row)
            if (table, key) in own or (not overlay and key in rows[table]):
                first = own.get((table, key)) or places[(table, key)][1]
                raise SheetError(
                    file, name, f"the same row stands twice (first: {first})", "keep one of them"
                )
            own[(table, key)] = name
            places[(table, key)] = (file, name)
            rows[table][key] = row


def _check_whole(rows: dict[str, dict[tuple[str, ...], BaseModel]], places: Places) -> None:
    """Check what no single row shows: references, completeness, order."""

    def refuse(table: str, key: tuple[str, ...], problem: str, mend: str) -> SheetError:
        file, name = places[(table, key)]
        return SheetError(file, name, problem, mend)

    parts = [p for p in rows["part"].values() if isinstance(p, Part)]
    missing = [slug for slug in PART_SLUGS if slug not in {p.id for p in parts}]
    if missing:
        raise SheetError(
            "parts.toml",
            "",
            f"part '{missing[0]}' is missing",
            f'add a [[part]] row with id = "{missing[0]}"',
        )
    orders: dict[int, str] = {}
    for part in parts:
        if part.order in orders:
            raise refuse(
                "part",
                (part.id,),
                f"order {part.order} is also '{orders[part.order]}'",
                "give every part its own place, 1 to 8",
            )
        orders[part.order] = part.id
    finding_ids = {f.id for f in rows["finding"].values() if isinstance(f, Finding)}
    coolant_ids = {c.id for c in rows["coolant"].values() if isinstance(c, Coolant)}
    for key, row in rows["contradiction"].items():
        if isinstance(row, Contradiction):
            for word, known in ((row.finding, finding_ids), (row.coolant, coolant_ids)):
                if word not in known:
                    near = difflib.get_close_matches(word, known, 1)
                    raise refuse(
                        "contradiction",
                        key,
                        f"'{word}' is not in this sheet",
                        f"did you mean '{near[0]}'" if near else "name one that is",
                    )
    for key, row in rows["pairing"].items():
        if isinstance(row, Pairing) and row.when == row.takes:
            raise refuse("pairing", key, "a part can't take itself along", "name another part")
    for slug in _NEEDED_CONSTANTS:
        if (slug,) not in rows["constant"]:
            raise SheetError(
                "constants.toml",
                "",
                f"constant '{slug}' is missing",
                f'add a [[constant]] row with id = "{slug}"',
            )
    for quantity in GROWING:
        if (quantity,) not in rows["growth"]:
            raise SheetError(
                "growth.toml",
                "",
                f"nothing is said of how '{quantity}' grows",
                f'add a [[growth]] row with quantity = "{quantity}"',
            )
    for key, growth in rows["growth"].items():
        if isinstance(growth, Growth) and (growth.deepest,) not in rows["constant"]:
            raise refuse(
                "growth",
                key,
                f"'{growth.deepest}' is no constant of this sheet",
                "name one that is, such as emitter-deepest",
            )
    risk = rows["constant"][("accepted-risk",)]
    if isinstance(risk, Constant) and not 0 < risk.value < 1:
        raise refuse(
            "constant",
            ("accepted-risk",),
            f"{risk.value} is not a probability",
            'write a number between 0 and 1, such as "0.05"',
        )
    general = [
        r
        for r in rows["limit"].values()
        if isinstance(r, Limit) and r.quantity == "pit-depth" and not r.process.given()
    ]
    if not general:
        raise SheetError(
            "limits.toml",
            "",
            "the electrode has no limit for every process",
            "add a [[limit]] row with process = {}",
        )
    check_causes(rows, refuse)


def load_sheet(base: Mapping[str, str], *overlays: Mapping[str, str]) -> Sheet:
    """Make a sheet of TOML texts, each overlay laid over what came before.

    Parameters
    ----------
    base : mapping of str to str
        File name to TOML text; together they must make a whole sheet.
    *overlays : mapping of str to str
        A shop's own sheets: a row with the key of an earlier row replaces it, others
        are added. Each needs a ``[sheet]`` table with its own id and version. Limits
        in an overlay count as the shop's.

    Returns
    -------
    Sheet

    Raises
    ------
    SheetError
        Naming file, row and mend; nothing of the sheet is used.
    """
    rows: dict[str, dict[tuple[str, ...], BaseModel]] = {table: {} for table in _ROW_TYPES}
    places: Places = {}
    versions: list[str] = []
    titles: list[str] = []
    for layer, texts in enumerate((base, *overlays)):
        heads: list[_Head] = []
        for file in sorted(texts):
            _read_file(file, texts[file], heads, rows, places, overlay=layer > 0)
        if len(heads) != 1:
            raise SheetError(
                ", ".join(sorted(texts)) or "(no files)",
                "[sheet]",
                f"{len(heads)} [sheet] tables in this sheet",
                "give it exactly one, with id, version and title",
            )
        versions.append(f"{heads[0].id} {heads[0].version}")
        titles.append(heads[0].title)
    _check_whole(rows, places)
    ordered: dict[str, Any] = {
        name: tuple(rows[table].values()) for table, name in ROW_TABLES.items()
    }
    ordered["parts"] = tuple(sorted(ordered["parts"], key=lambda p: p.order))
    ordered["cautions"] = tuple(sorted(ordered["cautions"], key=lambda c: c.order))
    return Sheet(version=" + ".join(versions), titles=tuple(titles), **ordered)


@cache
def base_texts() -> dict[str, str]:
    """Return the TOML texts of the sheet that ships with Pitwise, by file name."""
    folder = resources.files("pitwise.trade") / "sheets"
    return {
        item.name: item.read_text(encoding="utf-8")
        for item in folder.iterdir()
        if item.name.endswith(".toml")
    }


@cache
def base_sheet() -> Sheet:
    """Return the sheet that ships with Pitwise."""
    return load_sheet(base_texts())
