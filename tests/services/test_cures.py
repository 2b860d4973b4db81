"""Before and after a cure, out of the book's own electrodes; and the cures that did not hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kit import Floor
from pitwise.services import case_closing, cases, drafts, fittings, signing
from pitwise.services.cures import (
    Grown,
    cure_view,
    growth_of,
    unsure_of_law,
)
from pitwise.services.errors import ConflictError, NotFoundError
from pitwise.trade import base_sheet
from pitwise.wear.fit import WearFit, fit_wear
from pitwise.wear.history import Step
from pitwise.wear.prior import GAMMA, GrowthPrior, age


def not_held(floor: Floor) -> list[int]:
    """Return the cases whose cure did not hold, as the list has them."""
    return [c.id for c in cases.list_cases(floor.shop, floor.tech, state="not-held")]


class Wear:
    """A torch that wears electrodes at a pace, gauged once on the way and once at the end."""

    def __init__(self, floor: Floor, torch: int) -> None:
        self.floor, self.torch, self.starts = floor, torch, 0
        floor.inspect("0.01 mm", torch=torch, starts="0", minutes="0")

    def electrode(self, life: int, *, whole: bool = True, final: float = 1.6) -> None:
        self._to(life // 2, final / 2)
        if whole:
            self._to(life - life // 2, final)

    def _to(self, more: int, depth: float) -> None:
        floor = self.floor
        self.starts += more
        number = floor.draft(self.torch)
        floor.look_all(number)
        drafts.add_reading(floor.shop, floor.tech, number, f"{depth:.2f} mm", key=floor.key())
        draft = drafts.set_use(
            floor.shop,
            floor.tech,
            number,
            starts=str(self.starts),
            arc_minutes=str(self.starts // 2),
        )
        for flag in draft.decision.open_questions():
            drafts.answer_question(floor.shop, floor.tech, number, flag.code)
        signing.sign(floor.shop, floor.tech, number, key=floor.key())
        floor.clock.forward(days=1)


def cured(floor: Floor, torch: int, cause: str = "cool_low", certainty: str = "verified") -> int:
    case = cases.open_case(floor.shop, floor.tech, torch, key=floor.key())
    case_closing.close_case(
        floor.shop,
        floor.tech,
        case,
        key=floor.key(),
        causes=[cause],
        certainty=certainty,
        remedies=["coolant-filter"] if cause == "cool_low" else [],
        remedy_text="Filter changed",
    )
    floor.clock.forward(minutes=1)
    return case


def fresh_set(floor: Floor, torch: int) -> None:
    """Fit a new electrode outside an inspection, as one does after a cure."""
    with floor.shop.database.read() as session:
        kind = fittings.fitted(session, torch)["electrode"].item.part_type_id
    fittings.fit_part(floor.shop, floor.tech, torch, part_type_id=kind)


def test_a_cure_that_worked_shows_it_in_lives_and_wear(floor: Floor) -> None:
    wear = Wear(floor, floor.torch)
    for life in (150, 170, 160, 155):
        wear.electrode(life)
    case = cured(floor, floor.torch)
    fresh_set(floor, floor.torch)
    for life in (520, 480, 500):
        wear.electrode(life)
    wear.electrode(400, whole=False)
    view = cure_view(floor.shop, floor.tech, case)
    assert (view.before.ended, view.before.running, view.before.starts) == (4, 0, 635)
    assert (view.after.ended, view.after.running, view.after.starts) == (3, 1, 1700)
    assert view.before.lives == (150, 170, 160, 155)
    assert view.before.rate_mm_per_500 == pytest.approx(5.04, abs=0.1)
    assert view.after.rate_mm_per_500 == pytest.approx(1.5, abs=0.2)
    assert view.wear.verdict == view.verdict == "better"
    assert view.life.ratio is not None
    assert view.life.ratio < 0.5
    assert (view.held, view.did_not_hold) == (True, "")
    assert view.remedies[-1] == "Filter changed"
    assert "of what it was" in view.wear.words
    assert not_held(floor) == []


def test_right_after_a_cure_it_is_too_early_to_tell(floor: Floor) -> None:
    wear = Wear(floor, floor.torch)
    wear.electrode(150)
    case = cured(floor, floor.torch)
    view = cure_view(floor.shop, floor.tech, case)
    assert view.verdict == view.life.verdict == view.wear.verdict == "too-early"
    # The electrode that sat in the torch at the cure is on neither side.
    assert (view.before.ended, view.after.ended, view.after.running) == (1, 0, 0)
    assert view.held is None


def test_a_cure_that_made_it_worse_did_not_hold(floor: Floor) -> None:
    wear = Wear(floor, floor.torch)
    for life in (500, 520, 510):
        wear.electrode(life)
    case = cured(floor, floor.torch)
    fresh_set(floor, floor.torch)
    for life in (150, 160, 155):
        wear.electrode(life)
    view = cure_view(floor.shop, floor.tech, case)
    assert (view.verdict, view.held) == ("worse", False)
    assert not_held(floor) == [case]


def test_the_same_cause_again_says_that_the_first_cure_did_not_hold(floor: Floor) -> None:
    Wear(floor, floor.torch)
    first = cured(floor, floor.torch, certainty="went-away")
    floor.clock.forward(days=1)
    elsewhere = cured(floor, floor.other)
    again = cured(floor, floor.torch)
    view = cure_view(floor.shop, floor.tech, first)
    assert view.did_not_hold == (
        f"Case {again} on this torch was closed with the same cause: low coolant flow."
    )
    held = not_held(floor)
    assert held == [first]
    assert cure_view(floor.shop, floor.tech, elsewhere).did_not_hold == ""


def test_wear_by_age_comes_again_and_nothing_failed(floor: Floor) -> None:
    Wear(floor, floor.torch)
    cured(floor, floor.torch, "age")
    cured(floor, floor.torch, "age")
    assert not_held(floor) == []


def test_only_a_closed_case_has_a_cure(lite: Floor) -> None:
    case = cases.open_case(lite.shop, lite.tech, lite.torch, key=lite.key())
    with pytest.raises(ConflictError, match="it is open"):
        cure_view(lite.shop, lite.tech, case)
    with pytest.raises(NotFoundError):
        cure_view(lite.shop, lite.tech, 99)


def _fit(gamma: float = 1.2) -> WearFit:
    """Return a fit that grows by a power of the age and is sure of it."""
    fit = fit_wear((), GrowthPrior.of(base_sheet(), "pit-depth"))
    theta = fit.theta.copy()
    theta[GAMMA] = gamma
    drawn = np.tile(theta, (len(fit.draws.theta), 1))
    return replace(fit, theta=theta, draws=replace(fit.draws, theta=drawn))


def _read(fit: WearFit, rate: float, starts: float, minutes: float) -> Step:
    kappa = fit.values["kappa"]
    depth = rate * float(age(starts, minutes, kappa, fit.values["gamma"]))
    return Step(starts, minutes, depth, "p")


def test_growth_of_young_and_old_sets_alike_is_alike() -> None:
    fit = _fit()
    old = [growth_of(fit, _read(fit, 0.8, s, m), "p") for s, m in ((500, 100), (450, 300))]
    young = [growth_of(fit, _read(fit, 0.8, s, m), "p") for s, m in ((150, 90), (120, 0))]
    assert [*old, *young] == pytest.approx([0.8] * 4)
    by_starts = [(_read(fit, 0.8, s, 0).depth_mm or 0) / s for s in (500, 120)]
    assert by_starts[1] < 0.8 * by_starts[0]


def test_a_shallow_reading_counts_as_its_uncertainty_and_a_new_one_not_at_all() -> None:
    fit = _fit()
    zero = Step(300, 100, -0.01, "p", 0.04)
    aged = float(age(300, 100, fit.values["kappa"], fit.values["gamma"]))
    assert growth_of(fit, zero, "p") == pytest.approx(0.04 / aged)
    assert growth_of(fit, replace(zero, starts=5.0, arc_minutes=1.0), "p") is None
    # Whether it counts does not hang on what was read.
    assert growth_of(fit, replace(zero, starts=5.0, arc_minutes=1.0, depth_mm=0.3), "p") is None


def test_an_unsure_law_of_growth_widens_where_the_ages_differ() -> None:
    sure, open_ = _fit(), fit_wear((), GrowthPrior.of(base_sheet(), "pit-depth"))
    old, young = (Grown((1.0,) * 2, ((s, s / 2),) * 2, 2) for s in (500.0, 100.0))
    assert unsure_of_law(sure, old, young) == pytest.approx(0, abs=1e-12)
    assert unsure_of_law(open_, old, old) == pytest.approx(0, abs=1e-12)
    assert unsure_of_law(open_, old, young) > 0.15


def test_electrodes_read_at_nothing_are_not_left_out(floor: Floor) -> None:
    wear = Wear(floor, floor.torch)
    for life in (150, 170, 160):
        wear.electrode(life)
    case = cured(floor, floor.torch)
    fresh_set(floor, floor.torch)
    wear.electrode(400, whole=False, final=0.0)
    view = cure_view(floor.shop, floor.tech, case)
    assert view.after.running == 1
    assert view.after.rate_mm_per_500 is not None
    assert 0 < view.after.rate_mm_per_500 < 0.3
