"""What of a part's worth was left: against the exponential law, quadrature and a known pit."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math

import pytest
from scipy.integrate import quad
from scipy.special import exp1

from pitwise.services.life_model import PartLife
from pitwise.services.metres import Ranged
from pitwise.services.unused import electrode_left, left_of_life, part_left, usual_life
from pitwise.services.wear_book import FitInForce
from pitwise.trade import base_sheet
from pitwise.wear.cant_tell import CantTell
from pitwise.wear.fit import fit_wear
from pitwise.wear.history import History, Step
from pitwise.wear.life.weibull import WeibullFit
from pitwise.wear.prior import GrowthPrior

AT = dt.datetime(2031, 3, 3, tzinfo=dt.UTC)


def life(starts: int, end: str = "worn", good: int = 0, item: int = 1) -> PartLife:
    return PartLife(
        item_id=item,
        tag=f"NZ-{item:05d}",
        part="nozzle",
        part_type_id=3,
        part_type="Nozzle 300",
        lot=None,
        torch_id=1,
        torch="A",
        station="T",
        coolant=None,
        process_id=1,
        process="300 A",
        shift="early",
        fitted_at=AT,
        ended_at=None if end == "running" else AT,
        end=end,  # type: ignore[arg-type]  # one of the ends
        starts=starts,
        arc_minutes=starts / 2,
        good_starts=good,
        good_minutes=good / 2,
        reasons=(),
        own_reason=True,
        inspection_id=None if end == "running" else item,
    )


@pytest.mark.parametrize(
    ("part", "end", "reasons", "wore_out"),
    [
        ("electrode", "worn", ("pit-over-limit", "blued"), True),
        ("electrode", "worn", ("blued",), False),
        ("nozzle", "worn", ("orifice-enlarged",), True),
        ("nozzle", "worn", ("hole-over-limit-orifice-diameter",), True),
        ("nozzle", "worn", ("arc-marks",), False),
        ("nozzle", "changed", ("taken-along-by-electrode",), None),
        ("electrode", "lost", ("lost-in-the-cut", "pit-over-limit"), None),
    ],
)
def test_what_an_inspection_found_past_use_was_either_worn_out_or_damaged(
    part: str, end: str, reasons: tuple[str, ...], wore_out: bool | None
) -> None:
    one = dataclasses.replace(life(100, end), part=part, reasons=reasons)
    assert one.wore_out is (wore_out is True)
    assert one.damaged is (wore_out is False)


@pytest.mark.parametrize("used", [50.0, 300.0, 900.0])
def test_exponential_lives_have_a_closed_form(used: float) -> None:
    # E[1 - t/T | T > t] = 1 - x e^x E1(x), x = t / scale: DLMF 6.2.1 by parts.
    x = used / 400.0
    found = left_of_life(1.0, 400.0, used, still_good=True)
    assert found.value == pytest.approx(1 - x * math.exp(x) * exp1(x), abs=2e-3)
    # Without knowing that it would go on: E[(1 - t/T)+] = e^-x - x E1(x).
    found = left_of_life(1.0, 400.0, used, still_good=False)
    assert found.value == pytest.approx(math.exp(-x) - x * exp1(x), abs=2e-3)


@pytest.mark.parametrize(("shape", "used"), [(0.8, 100.0), (2.5, 350.0), (6.0, 500.0)])
def test_weibull_lives_against_quadrature(shape: float, used: float) -> None:
    def dens(t: float) -> float:
        return float(shape / 400 * (t / 400) ** (shape - 1) * math.exp(-((t / 400) ** shape)))

    whole, _ = quad(
        lambda t: (1 - used / t) * dens(t), used, 400 * 40, limit=400, points=[used * 2]
    )
    found = left_of_life(shape, 400.0, used, still_good=False)
    assert found.value == pytest.approx(whole, abs=3e-3)
    alive = math.exp(-((used / 400) ** shape))
    found = left_of_life(shape, 400.0, used, still_good=True)
    assert found.value == pytest.approx(whole / alive, abs=3e-3)
    assert found.low is not None
    assert found.high is not None
    assert 0 <= found.low <= found.value <= found.high <= 1


def test_too_few_ends_are_said_to_be_too_few() -> None:
    for lives in ([], [life(100), life(200, item=2)], [life(300, "running"), life(400, "changed")]):
        told = usual_life(lives)
        assert isinstance(told, CantTell)
        assert "too few to tell" in told.reason
    some = [life(300 + 40 * k, "lost", item=k) for k in range(6)]
    fit = usual_life([*some, life(700, "running", item=9)])
    assert isinstance(fit, WeibullFit)
    left = part_left(fit, life(100, "changed", item=10))
    assert isinstance(left, Ranged)
    assert left.value > 0.6
    late = part_left(fit, life(900, "lost", item=11))
    assert isinstance(late, Ranged)
    assert late.value < 0.05
    assert isinstance(part_left(fit, life(0, "changed")), CantTell)
    assert isinstance(part_left(CantTell("a", "b"), life(100)), CantTell)


def test_an_electrode_whose_pit_is_known_has_what_is_left_to_its_limit() -> None:
    prior = GrowthPrior.of(base_sheet())
    history = History("7", (Step(400.0, 200.0, 0.5, "300 A", 0.01),), "replaced")
    force = FitInForce(None, fit_wear([history], prior), {"7": 1})
    found = electrode_left(force, history, "300 A", 400.0, 200.0, 1.0)
    assert isinstance(found, Ranged)
    assert found.value == pytest.approx(0.5, abs=0.05)
    assert found.low is not None
    assert found.high is not None
    assert found.low < found.value < found.high
    # Past the limit nothing is left.
    over = electrode_left(force, history, "300 A", 400.0, 200.0, 0.4)
    assert isinstance(over, Ranged)
    assert over.value < 0.05
    assert isinstance(electrode_left(force, history, "300 A", 400.0, 200.0, None), CantTell)
    assert isinstance(electrode_left(force, None, "300 A", 0.0, 0.0, 1.0), CantTell)
