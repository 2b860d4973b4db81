"""Holes measured from photos: reasons, refused input, averages."""

from __future__ import annotations

import datetime as dt

import pytest

from pitwise.bench.case import CaseError, read_case
from pitwise.bench.decide import HoleReading, Inspection, PartLook, decide, overrule_needs
from pitwise.bench.holes import merged
from pitwise.trade import Limit, base_sheet

LIMIT = Limit.model_validate(
    {
        "id": "own",
        "part": "nozzle",
        "quantity": "orifice-roundness",
        "compare": ">",
        "figures": [{"value": "0.08", "unit": "mm"}],
        "source": "manual, page 4",
        "text": "t",
        "since": dt.date(2026, 1, 1),
        "shop": True,
    }
)
SHEET = base_sheet().with_shop_limits((LIMIT,))


def nozzle(*holes: HoleReading, looked: bool = True) -> Inspection:
    return Inspection({"nozzle": PartLook(looked=looked, holes=holes)})


def test_a_reason_names_value_range_limit_and_source() -> None:
    got = decide(SHEET, nozzle(HoleReading("orifice-roundness", 0.09, 0.01, 0.004))).parts["nozzle"]
    first = got.because[0]
    assert (first.rule, first.action) == ("hole-over-limit-orifice-roundness", "replace")
    assert "0.090 mm ± 0.020 mm" in first.text
    assert "0.08 mm" in first.text
    assert "noise floor 0.004 mm" in first.text
    assert first.source == "manual, page 4"
    plain = got.plain()["holes"][0]
    assert plain["limit"]["quoted"] == "0.08 mm"
    assert plain["p_over_limit"] == pytest.approx(0.8413, abs=1e-4)


def test_only_a_lead_sets_a_hole_limit_aside() -> None:
    got = decide(SHEET, nozzle(HoleReading("orifice-roundness", 0.09, 0.01))).parts["nozzle"]
    assert overrule_needs(got, "keep") == "lead"


def test_a_measured_part_nobody_looked_at_can_not_be_called_fine() -> None:
    got = decide(SHEET, nozzle(HoleReading("orifice-roundness", 0.01, 0.01), looked=False))
    assert got.parts["nozzle"].action == "not-looked"
    assert overrule_needs(got.parts["nozzle"], "keep") is None


def test_without_a_limit_it_says_so_and_the_look_is_still_named() -> None:
    got = decide(base_sheet(), nozzle(HoleReading("orifice-roundness", 0.3, 0.01))).parts["nozzle"]
    assert got.action == "keep"
    assert {r.rule for r in got.because} == {"nothing-seen", "hole-no-limit-orifice-roundness"}
    assert "decides nothing" in next(r.text for r in got.because if r.rule.startswith("hole-"))


def test_repeats_average_and_what_they_share_is_not_divided_away() -> None:
    (one,) = merged(
        [HoleReading("orifice-roundness", 0.06, 0.01), HoleReading("orifice-roundness", 0.08, 0.02)]
    )
    # Weights 1/u²: 4 to 1; all of u counts as shared: (4 · 0.01 + 0.02) / 5.
    assert one.value_mm == pytest.approx(0.064)
    assert one.u_mm == pytest.approx(0.012)
    assert one.photos == 2
    (two,) = merged([HoleReading("orifice-growth", 0.1), HoleReading("orifice-growth", 0.2, 0.1)])
    assert two.u_mm is None


@pytest.mark.parametrize(
    ("hole", "action", "rule"),
    [
        # Noise alone would read as much.
        (HoleReading("orifice-roundness", 0.0805, 0.001, 0.08), "recheck", "lost-in-noise"),
        (HoleReading("orifice-roundness", 0.079, 0.005, 0.08, 3), "recheck", "lost-in-noise"),
        (HoleReading("orifice-roundness", 0.079, None, 0.08), "recheck", "lost-in-noise"),
        # What is left above the noise is over the limit.
        (HoleReading("orifice-roundness", 0.17, 0.01, 0.08), "replace", "over-limit"),
        (HoleReading("orifice-roundness", 0.09, 0.01, 0.02), "replace", "over-limit"),
        # Noise only adds: as read it conforms.
        (HoleReading("orifice-roundness", 0.05, 0.005, 0.045), "keep", "within-limit"),
        # At least so much, perhaps far more.
        (
            HoleReading("orifice-roundness", 0.01, not_known="a nick or spatter at 75°"),
            "recheck",
            "not-known",
        ),
        (
            HoleReading("orifice-roundness", 0.1, not_known="a nick or spatter at 75°"),
            "replace",
            "over-limit",
        ),
    ],
)
def test_noise_alone_condemns_no_part_and_a_doubt_keeps_none(
    hole: HoleReading, action: str, rule: str
) -> None:
    got = decide(SHEET, nozzle(hole)).parts["nozzle"]
    assert got.action == action
    assert rule in {r.rule.removesuffix("-orifice-roundness")[5:] for r in got.because}
    if action == "recheck":
        assert any("can't be judged from th" in r.text for r in got.because)


def test_a_doubt_is_no_number_and_asks_for_a_look_without_a_limit_too() -> None:
    doubted = HoleReading("orifice-roundness", 0.01, not_known="a nick or spatter at 75°")
    got = decide(base_sheet(), nozzle(doubted)).parts["nozzle"]
    assert got.action == "recheck"
    plain = got.plain()["holes"][0]
    assert (plain["value_mm"], plain["at_least_mm"]) == (None, 0.01)
    assert "75°" in plain["not_known"]
    (joint,) = merged([doubted, HoleReading("orifice-roundness", 0.02, 0.001)])
    assert joint.not_known
    assert joint.u_mm is None


def test_an_off_centre_that_only_its_uncertainty_makes_condemns_no_part() -> None:
    limit = Limit.model_validate({**LIMIT.model_dump(), "quantity": "orifice-off-centre"})
    sheet = base_sheet().with_shop_limits((limit,))
    got = decide(sheet, nozzle(HoleReading("orifice-off-centre", 0.09, 0.07))).parts["nozzle"]
    assert got.action == "recheck"


@pytest.mark.parametrize(
    ("part", "hole", "place"),
    [
        (
            "nozzle",
            {"quantity": "pit-off-centre", "value": "1 mm"},
            "parts.nozzle.holes[0].quantity",
        ),
        ("nozzle", {"quantity": "orifice-roundness"}, "parts.nozzle.holes[0].value"),
        (
            "nozzle",
            {"quantity": "orifice-roundness", "value": "-0.1 mm"},
            "parts.nozzle.holes[0].value",
        ),
        (
            "nozzle",
            {"quantity": "orifice-growth", "value": "900 mm"},
            "parts.nozzle.holes[0].value",
        ),
        (
            "nozzle",
            {"quantity": "orifice-growth", "value": 0.1, "u_mm": -1},
            "parts.nozzle.holes[0].u_mm",
        ),
        (
            "electrode",
            {"quantity": "pit-diameter", "value": 1.0, "photos": 1.5},
            "parts.electrode.holes[0].photos",
        ),
    ],
)
def test_bad_holes_are_refused_with_their_place(
    part: str, hole: dict[str, object], place: str
) -> None:
    with pytest.raises(CaseError) as caught:
        read_case(SHEET, {"parts": {part: {"holes": [hole]}}})
    assert caught.value.place == place


def test_parts_without_a_camera_take_no_holes() -> None:
    with pytest.raises(CaseError):
        read_case(SHEET, {"parts": {"swirl-ring": {"holes": []}}})


def test_a_limit_is_set_only_where_it_is_measured() -> None:
    with pytest.raises(ValueError, match="not measured on the electrode"):
        Limit.model_validate({**LIMIT.model_dump(), "part": "electrode"})
