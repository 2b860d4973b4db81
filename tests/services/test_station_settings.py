"""A station's settings: checked, kept whole with who and why, never changed."""

from __future__ import annotations

import json
import threading
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import func, select

from kit import Floor
from pitwise.records.tables import AuditRow
from pitwise.records.wear_tables import StationSetting
from pitwise.services.ahead import _risk
from pitwise.services.errors import ConflictError, NotAllowedError, NotFoundError, ServiceError
from pitwise.services.station_settings import (
    FIELDS,
    StationSettings,
    _codes,
    as_typed,
    assumed_fields,
    save_settings,
    settings_of,
    settings_view,
)


def save(floor: Floor, reason: str = "measured", /, **given: object) -> StationSettings:
    return save_settings(floor.shop, floor.lead, 1, given, reason)


def test_without_a_save_everything_is_assumed(floor: Floor) -> None:
    view = settings_view(floor.shop, floor.tech, 1)
    assert view.settings == StationSettings()
    assert view.set_by_shop == frozenset()
    assert view.newest == 0
    with floor.shop.database.read() as session:
        assert settings_of(session, 1) == settings_of(session, None) == StationSettings()
        assert assumed_fields(session, 1) == {f.name for f in FIELDS}


def test_every_field_has_its_place_in_the_form() -> None:
    assert [f.name for f in FIELDS] == list(dict.fromkeys(f.name for f in FIELDS))
    assert {f.name for f in FIELDS} == set(StationSettings.__dataclass_fields__)


def test_a_save_holds_is_told_in_the_trail_and_keeps_what_was(floor: Floor) -> None:
    first = save(
        floor,
        on_codes="m03, M64 p1",
        off_codes="M5; m65P1",
        accel_mm_s2="1 200".replace(" ", ""),
        accepted_risk="2,5",
        dxf_layers="CUT, Schnitt außen",
        currency="crowns",
    )
    assert first.on_codes == ("M3", "M64 P1")
    assert first.off_codes == ("M5", "M65 P1")
    assert first.accepted_risk == pytest.approx(0.025)
    assert first.reader().accel_mm_s2 == 1200
    second = save(floor, "the drive was changed", accel_mm_s2="900")
    assert second.on_codes == ("M3", "M64 P1")
    with floor.shop.database.read() as session:
        assert settings_of(session, 1) == second
        bodies = session.scalars(select(StationSetting.body).order_by(StationSetting.id)).all()
        assert [json.loads(b)["accel_mm_s2"] for b in bodies] == [1200.0, 900.0]
        told = session.scalars(
            select(AuditRow).where(AuditRow.action == "station-settings-saved")
        ).all()
    assert [r.subject for r in told] == ["station 1"] * 2
    assert json.loads(told[1].detail) == {
        "before": {"accel_mm_s2": 1200.0},
        "after": {"accel_mm_s2": 900.0},
        "reason": "the drive was changed",
    }
    view = settings_view(floor.shop, floor.tech, 1)
    assert [s.reason for s in view.saves] == ["the drive was changed", "measured"]
    assert view.typed("accepted_risk") == "2.5"
    assert view.typed("dxf_layers") == "CUT, Schnitt außen"
    assert view.typed("set_value") == ""
    emptied = save(floor, "not sure after all", accel_mm_s2="", on_codes=None)
    assert (emptied.accel_mm_s2, emptied.on_codes) == (None, ("M3",))


def test_the_same_twice_is_one_save(floor: Floor) -> None:
    for _ in range(2):
        save(floor, stop_minutes="12")
    assert len(settings_view(floor.shop, floor.tech, 1).saves) == 1


def test_two_leads_at_once_do_not_overwrite_each_other(floor: Floor) -> None:
    outcomes: list[str] = []
    start = threading.Barrier(2)

    def one(value: str) -> None:
        start.wait()
        try:
            save_settings(floor.shop, floor.lead, 1, {"set_value": value}, "x", based_on=0)
            outcomes.append("saved")
        except ConflictError:
            outcomes.append("conflict")

    threads = [threading.Thread(target=one, args=(v,)) for v in ("70", "75")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["conflict", "saved"]


BAD = [
    ("accel_mm_s2", "nan", "not a number"),
    ("accel_mm_s2", float("nan"), "not a number"),
    ("accel_mm_s2", "inf", "not a number"),
    ("accel_mm_s2", 1e300, "not a number"),
    ("accel_mm_s2", "9" * 19, "out of range"),
    ("accel_mm_s2", "0", "out of range"),
    ("accel_mm_s2", "-5", "not a number"),
    ("rapid_mm_min", "fast", "not a number"),
    ("corner_tolerance_mm", "11", "out of range"),
    ("dxf_feed_mm_min", "0", "out of range"),
    ("accepted_risk", "51", "out of range"),
    ("accepted_risk", "0", "can't be promised"),
    ("accepted_risk", "0,000", "can't be promised"),
    ("stop_minutes", "1441", "out of range"),
    ("on_codes", "G1", "not an M word"),
    ("on_codes", "M", "not an M word"),
    ("on_codes", "M3 (lit)", "not an M word"),
    ("on_codes", "M30", "can't be"),
    ("on_codes", "M5", "among both"),
    ("off_codes", "M99", "can't be"),
    ("on_codes", ",".join(f"M{n}" for n in range(100, 110)), "more than 8"),
    ("dxf_layers", ",".join(map(str, range(50))), "more than 40"),
    ("dxf_layers", "a\x00b", "can't be shown"),
    ("currency", "a very long currency name", "longer than 20"),
    ("currency", "x" * 5000, "far too long"),
    ("aceleration", "5", "not known"),
]


@pytest.mark.parametrize(("name", "value", "words"), BAD)
def test_a_bad_value_names_the_field_and_changes_nothing(
    lite: Floor, name: str, value: object, words: str
) -> None:
    with pytest.raises(ServiceError, match=words) as caught:
        save(lite, **{name: value})
    assert caught.value.mend
    label = next((f.label for f in FIELDS if f.name == name), "setting")
    assert caught.value.place in (label, "words that light and quench")
    with lite.shop.database.read() as session:
        assert session.scalar(select(func.count()).select_from(StationSetting)) == 0


def test_reason_station_and_role(lite: Floor) -> None:
    with pytest.raises(ServiceError, match="reason: is empty"):
        save(lite, " ", set_value="5")
    with pytest.raises(NotFoundError, match="no station 9"):
        save_settings(lite.shop, lite.lead, 9, {"set_value": "5"}, "x")
    with pytest.raises(NotFoundError):
        settings_view(lite.shop, lite.tech, 9)
    with pytest.raises(NotAllowedError):
        save_settings(lite.shop, lite.tech, 1, {"set_value": "5"}, "x")


def test_the_hash_moves_with_every_setting() -> None:
    base = StationSettings()
    assert base.sha256() == StationSettings().sha256()
    assert base.sha256() != StationSettings(set_value=81.0).sha256()


@given(st.text(max_size=40))
def test_code_words_are_read_or_refused(text: str) -> None:
    try:
        codes = _codes("words", text)
    except ServiceError:
        return
    # What is kept reads back as itself.
    assert codes is None or _codes("words", as_typed("on_codes", tuple(codes))) == codes


def test_a_risk_of_nothing_saved_before_is_the_sheets_and_says_so(lite: Floor) -> None:
    save(lite, accepted_risk="5", set_value="70")
    with lite.shop.database.write() as session:
        last = session.scalars(select(StationSetting)).one()
        body = json.loads(last.body) | {"accepted_risk": 0.0}
        session.add(
            StationSetting(
                station_id=1,
                body=json.dumps(body),
                reason="before 0 was refused",
                entered_by=lite.lead.person_id,
                entered_at=lite.clock(),
            )
        )
    view = settings_view(lite.shop, lite.tech, 1)
    assert view.settings.accepted_risk is None
    assert view.set_by_shop == {"set_value"}
    with lite.shop.database.read() as session:
        assert settings_of(session, 1) == view.settings
        assert "accepted_risk" in assumed_fields(session, 1)
    save(lite, set_value="71")
    assert settings_view(lite.shop, lite.tech, 1).set_by_shop == {"set_value"}


@given(st.floats(min_value=1e-9, max_value=0.5))
def test_the_risk_a_station_accepts_is_the_one_reckoned_with(risk: float) -> None:
    shop: Any = None
    # Neither book nor sheet is asked for it.
    assert _risk(shop, shop, StationSettings(accepted_risk=risk)) == risk


def test_a_risk_of_zero_is_never_taken_for_none() -> None:
    shop: Any = None
    assert _risk(shop, shop, StationSettings(accepted_risk=0.0)) == 0.0
