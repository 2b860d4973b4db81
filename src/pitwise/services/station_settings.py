"""A station's settings: how its programs are counted, and what stops and losses cost there.

Every save keeps a whole new row with who, when and why; the newest holds. A field the shop
has not set holds an assumed value, and every face says so.
"""

from __future__ import annotations

import datetime as dt
import difflib
import hashlib
import json
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.job.model import ReaderSettings
from pitwise.job.plan import (
    Costs,
)
from pitwise.records.audit import canonical
from pitwise.records.tables import Person, Station
from pitwise.records.wear_tables import StationSetting
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text, decimal_number
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop

ASSUMED = "assumed, not set by the shop"
_MOST_CODES = 8
_MOST_LAYERS = 40
_CODE = re.compile(r"M(\d{1,4})((?:[A-Z]\d{1,6}(?:\.\d{1,4})?)*)")
_WORD = re.compile(r"[A-Z]\d+(?:\.\d+)?")
# Stop, end, and call a subprogram (ISO 6983-1; M98 and M99 are common practice, no source).
_TAKEN = frozenset({0, 1, 2, 30, 98, 99})


@dataclass(frozen=True)
class StationSettings:
    """What holds at a station.

    The values here are assumed until the shop sets its own; the money is made up to have
    something to reckon with.

    Attributes
    ----------
    on_codes, off_codes : tuple of str
        Words that light and quench the torch, such as ``M3`` or ``M64 P1``.
    accel_mm_s2 : float or None
        The machine's acceleration; None counts times as length / feed.
    corner_tolerance_mm : float
        How far a corner may be cut round; used with an acceleration.
    rapid_mm_min : float or None
        None lets rapid moves take no time.
    default_pierce_seconds : float
        Pierce time of each start of a drawing, which has none of its own.
    dxf_layers : tuple of str
        Layers of a drawing that are cut; empty for all.
    dxf_feed_mm_min : float
        Cutting feed of a drawing.
    currency : str
        What the shop writes behind an amount.
    set_value : float
        A set of wear parts thrown away new.
    stop_minutes : float
        A stop to change a set.
    stop_cost_per_hour : float
        The station standing still.
    lost_torch_cost, scrapped_plate_cost : float
        What a part lost in the cut takes with it.
    accepted_risk : float or None
        Chance of passing the limit that is accepted, 0 to 1; None: the trade sheet's.
    """

    on_codes: tuple[str, ...] = ("M3",)
    off_codes: tuple[str, ...] = ("M5",)
    accel_mm_s2: float | None = None
    corner_tolerance_mm: float = 0.1
    rapid_mm_min: float | None = None
    default_pierce_seconds: float = 0.5
    dxf_layers: tuple[str, ...] = ()
    dxf_feed_mm_min: float = 2000.0
    currency: str = "cost units"
    set_value: float = Costs.set_value
    stop_minutes: float = Costs.stop_minutes
    stop_cost_per_hour: float = Costs.stop_cost_per_hour
    lost_torch_cost: float = Costs.lost_torch_cost
    scrapped_plate_cost: float = Costs.scrapped_plate_cost
    accepted_risk: float | None = None

    def reader(self) -> ReaderSettings:
        """Return what the reader of cut programs takes of these."""
        return ReaderSettings(
            on_codes=self.on_codes,
            off_codes=self.off_codes,
            accel_mm_s2=self.accel_mm_s2,
            corner_tolerance_mm=self.corner_tolerance_mm,
            rapid_mm_min=self.rapid_mm_min,
        )

    def costs(self) -> Costs:
        """Return the money side of these."""
        return Costs(
            self.set_value,
            self.stop_minutes,
            self.stop_cost_per_hour,
            self.lost_torch_cost,
            self.scrapped_plate_cost,
        )

    def sha256(self) -> str:
        """Return a hash of all of them."""
        return hashlib.sha256(canonical(asdict(self)).encode()).hexdigest()


@dataclass(frozen=True)
class SettingField:
    """A setting as a form shows it.

    Attributes
    ----------
    name : str
        The attribute of `StationSettings`.
    group, label, help : str
    kind : {"codes", "layers", "number", "text"}
    low, high : float
        Range of a number.
    """

    name: str
    group: str
    label: str
    help: str
    kind: str
    low: float = 0.0
    high: float = 0.0


COUNTING, DRAWINGS, MONEY = "Counting programs", "Drawings (DXF)", "What it costs"
FIELDS: tuple[SettingField, ...] = (
    SettingField(
        "on_codes", COUNTING, "Words that light the torch", "several: M3, M64 P1", "codes"
    ),
    SettingField("off_codes", COUNTING, "Words that quench it", "several: M5, M65 P1", "codes"),
    SettingField(
        "accel_mm_s2",
        COUNTING,
        "Acceleration, mm/s²",
        "empty: times are length / feed",
        "number",
        1.0,
        100_000.0,
    ),
    SettingField(
        "corner_tolerance_mm",
        COUNTING,
        "Corner tolerance, mm",
        "used with an acceleration",
        "number",
        0.001,
        10.0,
    ),
    SettingField(
        "rapid_mm_min",
        COUNTING,
        "Rapid speed, mm/min",
        "empty: rapid moves take no time",
        "number",
        1.0,
        1_000_000.0,
    ),
    SettingField(
        "dxf_layers", DRAWINGS, "Layers that are cut", "with commas; empty: all layers", "layers"
    ),
    SettingField("dxf_feed_mm_min", DRAWINGS, "Cutting feed, mm/min", "", "number", 1.0, 100_000.0),
    SettingField(
        "default_pierce_seconds", DRAWINGS, "Pierce time of a start, s", "", "number", 0.0, 60.0
    ),
    SettingField("currency", MONEY, "Currency", "written behind amounts", "text"),
    SettingField("set_value", MONEY, "A new set of wear parts", "", "number", 0.0, 1e7),
    SettingField("stop_minutes", MONEY, "A stop to change the set, minutes", "", "number", 0, 1440),
    SettingField("stop_cost_per_hour", MONEY, "An hour of standstill", "", "number", 0.0, 1e7),
    SettingField("lost_torch_cost", MONEY, "A torch lost in the cut", "", "number", 0.0, 1e7),
    SettingField("scrapped_plate_cost", MONEY, "A plate scrapped", "", "number", 0.0, 1e7),
    SettingField(
        "accepted_risk",
        MONEY,
        "Accepted chance of passing the limit, %",
        "above 0, at most 50; empty: the trade sheet's",
        "number",
        0.0,
        50.0,
    ),
)
_BY_NAME = {f.name: f for f in FIELDS}


@dataclass(frozen=True)
class SettingsChange:
    """A save of a station's settings."""

    id: int
    by: str
    at: dt.datetime
    reason: str


@dataclass(frozen=True)
class SettingsView:
    """A station's settings with what the shop set of them, and who saved them.

    Attributes
    ----------
    station : Station
    settings : StationSettings
    set_by_shop : frozenset of str
        The fields the shop set; the others hold assumed values.
    saves : list of SettingsChange
        Newest first.
    """

    station: Station
    settings: StationSettings
    set_by_shop: frozenset[str]
    saves: list[SettingsChange]

    @property
    def newest(self) -> int:
        """Number of the save that holds, 0 before the first."""
        return self.saves[0].id if self.saves else 0

    def typed(self, name: str) -> str:
        """Return a field as it is typed; empty for what the shop did not set."""
        return as_typed(name, getattr(self.settings, name)) if name in self.set_by_shop else ""

    def assumed(self, name: str) -> str:
        """Return the assumed value of a field, as words."""
        value = as_typed(name, getattr(StationSettings(), name))
        return value or {"dxf_layers": "all", "accepted_risk": "the trade sheet's"}.get(
            name, "none"
        )


def as_typed(name: str, value: Any) -> str:
    """Return a setting's value as somebody types it into the form."""
    if value is None:
        return ""
    if isinstance(value, tuple):
        return ", ".join(value)
    if isinstance(value, float):
        # Typed in percent; ten digits take off what the conversion adds.
        return f"{value * 100 if name == 'accepted_risk' else value:.10g}"
    return str(value)


def _stored(session: Session, station_id: int) -> dict[str, Any]:
    body = session.scalar(
        select(StationSetting.body)
        .where(StationSetting.station_id == station_id)
        .order_by(StationSetting.id.desc())
        .limit(1)
    )
    return {} if body is None else _body(body)


def _body(text: str) -> dict[str, Any]:
    body: dict[str, Any] = json.loads(text)
    if body.get("accepted_risk") == 0:
        # Could be saved once, and was reckoned with as the trade sheet's: it still is, and says so.
        body["accepted_risk"] = None
    return body


def _settings(body: Mapping[str, Any]) -> StationSettings:
    """Fill the fields the shop did not set with the assumed values."""
    known = {f.name for f in fields(StationSettings)}
    given: dict[str, Any] = {
        k: tuple(v) if isinstance(v, list) else v
        for k, v in body.items()
        if k in known and v is not None
    }
    return StationSettings(**given)


def settings_of(session: Session, station_id: int | None) -> StationSettings:
    """Return what holds at a station (None: the assumed values)."""
    return StationSettings() if station_id is None else _settings(_stored(session, station_id))


def assumed_fields(session: Session, station_id: int | None) -> frozenset[str]:
    """Return the fields of a station that the shop has not set, for saying so."""
    body = {} if station_id is None else _stored(session, station_id)
    return frozenset(f.name for f in fields(StationSettings) if body.get(f.name) is None)


def settings_view(shop: Shop, actor: Actor, station_id: int) -> SettingsView:
    """Return a station's settings for its page, with every save of them."""
    require(actor, "view")
    with shop.database.read() as session:
        station = _station(session, station_id)
        rows = session.execute(
            select(StationSetting, Person.name)
            .outerjoin(Person, Person.id == StationSetting.entered_by)
            .where(StationSetting.station_id == station_id)
            .order_by(StationSetting.id.desc())
        ).all()
        body = _body(rows[0][0].body) if rows else {}
        return SettingsView(
            station,
            _settings(body),
            frozenset(k for k, v in body.items() if v is not None),
            [SettingsChange(r.id, name or "Pitwise", r.entered_at, r.reason) for r, name in rows],
        )


def _station(session: Session, station_id: int) -> Station:
    row = session.get(Station, station_id)
    if row is None:
        raise NotFoundError("station", f"there is no station {station_id}", "choose from the list")
    return row


def _codes(place: str, text: str) -> list[str] | None:
    codes = []
    for part in re.split(r"[,;\n]", unicodedata.normalize("NFKC", text).upper()):
        code = re.sub(r"\s+", "", part)
        if not code:
            continue
        found = _CODE.fullmatch(code)
        if found is None:
            raise ServiceError(
                place,
                f"'{part.strip()[:20]}' is not an M word",
                "write it as M3, or with its words as M64 P1; several with commas",
            )
        number = int(found[1])
        if number in _TAKEN:
            raise ServiceError(
                place,
                f"M{number} stops, ends or calls a program and can't be a torch's word",
                "give the word that switches the arc",
            )
        words = [w[0] + f"{float(w[1:]):g}" for w in _WORD.findall(found[2])]
        clean = " ".join([f"M{number}", *words])
        if clean not in codes:
            codes.append(clean)
    if len(codes) > _MOST_CODES:
        raise ServiceError(place, f"names more than {_MOST_CODES} words", "give fewer")
    return codes or None


def layer_names(place: str, text: str) -> list[str] | None:
    """Return the layers named in a text, with commas between them; None for none."""
    names = [clean_text(place, n, longest=255, empty_ok=True) for n in re.split(r"[,\n]", text)]
    kept = list(dict.fromkeys(n for n in names if n))
    if len(kept) > _MOST_LAYERS:
        raise ServiceError(place, f"names more than {_MOST_LAYERS} layers", "give fewer")
    return kept or None


def _checked(field: SettingField, given: object) -> Any:
    """Return a field's value as the book keeps it; None for one left to what is assumed."""
    text = "" if given is None else str(given)
    if isinstance(given, tuple | list):
        text = ", ".join(map(str, given))
    place = field.label
    if len(text) > 4000:
        raise ServiceError(place, "is far too long", "shorten it")
    if field.kind == "codes":
        return _codes(place, text)
    if field.kind == "layers":
        return layer_names(place, text)
    if field.kind == "text":
        return clean_text(place, text, longest=20, empty_ok=True) or None
    number = decimal_number(place, text, low=field.low, high=field.high)
    if number is None or field.name != "accepted_risk":
        return number
    if number == 0:
        raise ServiceError(
            place,
            "0 can't be promised: every cut has some chance",
            "give more than 0 and at most 50, or leave it empty for the trade sheet's",
        )
    return number / 100


def save_settings(
    shop: Shop,
    actor: Actor,
    station_id: int,
    given: Mapping[str, object],
    reason: str,
    *,
    based_on: int | None = None,
) -> StationSettings:
    """Set a station's settings; what `given` does not name stays as it was.

    Parameters
    ----------
    shop, actor
    station_id : int
    given : mapping of str to object
        Field to value as typed (`FIELDS` lists them); empty or None leaves the field to
        the assumed value. The accepted risk is in percent.
    reason : str
    based_on : int or None
        The save that was on the screen when they were typed (`SettingsView.newest`):
        refused when somebody has saved since.

    Returns
    -------
    StationSettings
        What holds now. The same once more is no new save.

    Raises
    ------
    ServiceError
        A value that can't be; names the field and the mend.
    ConflictError
        Somebody saved meanwhile.
    """
    require(actor, "station-settings")
    for name in given:
        if name not in _BY_NAME:
            near = difflib.get_close_matches(name, _BY_NAME, 1)
            mend = f"did you mean '{near[0]}'" if near else f"use {', '.join(_BY_NAME)}"
            raise ServiceError("setting", f"'{name[:40]}' is not known", mend)
    checked = {name: _checked(_BY_NAME[name], value) for name, value in given.items()}
    reason = clean_text("reason", reason, longest=400, lines=True)
    with shop.database.write() as session:
        _station(session, station_id)
        newest = session.scalar(
            select(StationSetting.id)
            .where(StationSetting.station_id == station_id)
            .order_by(StationSetting.id.desc())
            .limit(1)
        )
        old = dict.fromkeys(_BY_NAME) | _stored(session, station_id)
        new = old | checked
        settings = _settings(new)
        both = set(settings.on_codes) & set(settings.off_codes)
        if both:
            raise ServiceError(
                "words that light and quench",
                f"{min(both)} is among both",
                "give each its own word",
            )
        if new == old:
            return settings
        if based_on is not None and based_on != (newest or 0):
            raise ConflictError(
                "settings",
                "somebody saved them since this page was opened",
                "open it again, look at what they set, then set yours",
            )
        session.add(
            StationSetting(
                station_id=station_id,
                body=canonical(new),
                reason=reason,
                entered_by=actor.person_id,
                entered_at=shop.clock(),
            )
        )
        session.flush()
        changed = sorted(k for k in new if new[k] != old.get(k))
        shop.note(
            session,
            actor,
            "station-settings-saved",
            f"station {station_id}",
            before={k: old.get(k) for k in changed},
            after={k: new[k] for k in changed},
            reason=reason,
        )
        return settings
