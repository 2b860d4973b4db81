"""The range of the demand holds as often as it says, in shops simulated apart from the forecast.

The truth is run electrode by electrode in plain Python (`pitwise.demo.simulate`, the design's
wear model), with a technician who gauges, gauges again when in doubt, and changes. The forecast
sees only what the shop's book would hold: readings, counters, the days of its rounds.

Two checks: with the wear known to the forecast, its mean must be the truth's within what 5 %
would break, with and without a plan and weekends; with the wear fitted, its range must hold as
often as it says.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from random import Random

import numpy as np
import pytest
from scipy.special import ndtri

from kit_demand import state_of
from pitwise.demo.simulate import SimulatedElectrode, WearTruth
from pitwise.shelf.demand import simulate_changes
from pitwise.shelf.torch_load import Counted, DailyWork, TorchLoad, WearingSet
from pitwise.shelf.usual import Stretch, usual_work
from pitwise.trade import base_sheet
from pitwise.wear.fit import WearFit, fit_wear
from pitwise.wear.history import History, Step
from pitwise.wear.prior import GrowthPrior
from pitwise.wear.state import ElectrodeState, known_electrode, new_electrode, use

LIMIT, SIGMA, GAPS = 1.5, 0.02, (3, 4, 4, 5, 7)
# Whole weeks, so that a torch of five days is not met at more of its days than usual.
SHOPS, TORCHES, DAYS, PAST = 10, 5, 56, 60
PATHS = 800
PARTS = 3


@dataclass
class Torch:
    """A torch of the truth."""

    name: str
    truth: WearTruth
    per_day: float
    each: float
    random: Random
    five_days: bool = False
    planned: bool = False
    weekday: int = 0

    def __post_init__(self) -> None:
        self.electrode = SimulatedElectrode(self.truth, self.random)
        self.steps: list[Step] = []
        self.ended: list[History] = []
        self.wait = self.random.choice(GAPS)
        self.since = 0
        self.stretches: list[tuple[int, float, float]] = []
        self.made = self.burnt = 0.0
        self.days = 0

    @property
    def plan(self) -> tuple[float, ...]:
        """What is planned from today on: all of its work, Monday to Friday."""
        if not self.planned:
            return ()
        days = range(self.days + self.weekday, self.days + self.weekday + DAYS)
        return tuple(1.4 * self.per_day if k % 7 < 5 else 0.0 for k in days)

    def day(self) -> int:
        """Work a day; tell how many sets were changed."""
        starts = round(self.per_day * self.random.gammavariate(8, 1 / 8))
        if self.five_days:
            starts = 0 if (self.days + self.weekday) % 7 > 4 else round(1.4 * self.per_day)
        # In parts: the simulator's loss goes by the depth at the end of each.
        for k in range(PARTS):
            some = starts // PARTS + (k < starts % PARTS)
            if some and not self.electrode.lost:
                self.electrode.run(some, some * self.each)
        self.made, self.burnt = self.made + starts, self.burnt + starts * self.each
        self.wait, self.since, self.days = self.wait - 1, self.since + 1, self.days + 1
        if self.wait > 0 and not self.electrode.lost:
            return 0
        return self._look()

    def _look(self) -> int:
        self.stretches.append((self.days, self.made, self.burnt))
        self.wait, self.since = self.random.choice(GAPS), 0
        lost = self.electrode.lost
        first = self.electrode.depth_mm + self.random.gauss(0, SIGMA)
        second = self.electrode.depth_mm + self.random.gauss(0, SIGMA)
        guard, mean = float(ndtri(0.95)) * SIGMA, (first + second) / 2
        over = first >= LIMIT or (first > LIMIT - guard and mean > LIMIT - guard / math.sqrt(2))
        e = self.electrode
        read = first if first <= LIMIT - guard or first >= LIMIT else mean
        self.steps.append(Step(e.starts, e.arc_minutes, read, "p", SIGMA))
        if not (over or lost):
            return 0
        name = f"{self.name}-{len(self.ended)}"
        self.ended.append(History(name, tuple(self.steps), "lost" if lost else "replaced"))
        self.electrode, self.steps = SimulatedElectrode(self.truth, self.random), []
        return 1

    def load(self, fit: WearFit, starts: float) -> TorchLoad:
        """What the book would tell; no set of `starts` was changed for any other reason."""
        points = [(0, 0.0, 0.0), *self.stretches]
        seen = [
            Stretch(b[0] - a[0], points[-1][0] - b[0], b[1] - a[1], b[2] - a[2])
            for a, b in itertools.pairwise(points)
            if b[0] > a[0]
        ]
        usual = usual_work(seen)
        assert usual is not None
        state = (
            known_electrode(fit, History(f"{self.name}-now", tuple(self.steps)), in_fit=True)
            if self.steps
            else new_electrode(fit, "p")
        )
        more = usual.starts_per_day * self.since
        state = use(state, state.starts + more, state.arc_minutes + more * usual.minutes_per_start)
        return TorchLoad(
            self.name,
            DailyWork(
                usual.starts_per_day,
                usual.minutes_per_start,
                usual.level_se,
                usual.level_df,
                usual.day_sd,
                self.plan,
                tuple(self.each * x for x in self.plan),
            ),
            tuple(float(g) for g in GAPS),
            float(self.since),
            WearingSet(("e", "n"), state, LIMIT, SIGMA, 0.05, Counted(0.5, starts + 5000)),
        )


def places(seed: int, shops: int = SHOPS) -> list[tuple[float, float]]:
    """Where the truth fell in the forecast (0 to 1, ties broken evenly): torches, and shops."""
    random = Random(seed)
    prior = GrowthPrior.of(base_sheet())
    out = []
    for shop in range(shops):
        # Every other shop works five days a week, and plans that on two of its torches.
        five = shop % 2 == 1
        truth = WearTruth(random.lognormvariate(math.log(0.5), 0.25))
        torches = [
            Torch(
                f"T{k}",
                truth,
                random.uniform(60, 140),
                random.uniform(0.3, 0.6),
                random,
                five,
                five and k < 2,
            )
            for k in range(TORCHES)
        ]
        for _ in range(PAST):
            for torch in torches:
                torch.day()
        known = [h for t in torches for h in t.ended]
        known += [History(f"{t.name}-now", tuple(t.steps)) for t in torches if t.steps]
        fit = fit_wear(known, prior, draws=64)
        starts = sum(t.made for t in torches)
        loads = [t.load(fit, starts) for t in torches]
        seed += 1
        apart = [
            simulate_changes([x], days=DAYS, paths=PATHS, seed=seed)["e"].total(0, DAYS)
            for x in loads
        ]
        true = [sum(t.day() for _ in range(DAYS)) for t in torches]
        together = np.sum(apart, axis=0)
        for total, n in [*zip(apart, true, strict=True), (together, sum(true))]:
            below, same = float(np.mean(total < n)), float(np.mean(total == n))
            out.append((below + random.random() * same, float(total is together)))
    return out


def known_wear(truth: WearTruth) -> ElectrodeState:
    """A new electrode of a truth that the forecast knows."""
    state = state_of(truth.c_mm, tau=truth.tau, phi=truth.phi_mm, sigma=SIGMA)
    losses = np.log([[truth.lambda0, truth.eta_per_mm]])
    return replace(state, losses=losses)


@pytest.mark.parametrize(("five_days", "planned"), [(False, False), (True, False), (True, True)])
def test_where_the_wear_is_known_the_mean_is_the_truth_s(five_days: bool, planned: bool) -> None:
    random = Random(31)
    futures, torches = 100, 7
    told, counted = 0.0, list[list[int]]()
    # A torch for every weekday to begin on: whatever day it is, the same is met in the mean.
    for weekday in range(torches):
        truth = WearTruth(random.lognormvariate(math.log(0.5), 0.25))
        per_day, each = random.uniform(60, 140), random.uniform(0.3, 0.6)
        # Five days of 1.4 and two of none, or a gamma of shape 8.
        spread = per_day * (math.sqrt(0.4) if five_days else math.sqrt(1 / 8))
        plan = Torch("T", truth, per_day, each, random, five_days, planned, weekday).plan
        burnt = tuple(each * x for x in plan)
        load = TorchLoad(
            "T",
            DailyWork(per_day, each, 0.0, math.inf, spread, plan, burnt),
            tuple(float(g) for g in GAPS),
            0.0,
            WearingSet(("e",), known_wear(truth), LIMIT, SIGMA),
        )
        told += simulate_changes([load], days=DAYS, paths=1500, seed=5)["e"].total(0, DAYS).mean()
        runs = [
            Torch("T", truth, per_day, each, random, five_days, weekday=weekday)
            for _ in range(futures)
        ]
        counted.append([sum(one.day() for _ in range(DAYS)) for one in runs])
    true = np.array(counted, float)
    mean = float(true.mean(axis=1).sum())
    error = math.sqrt(float((true.var(axis=1, ddof=1) / futures).sum())) / mean
    # Able to see 5 %: three standard errors and the forecast's own are less than that.
    assert 3.5 * error < 0.05
    assert abs(told / mean - 1) < 3.5 * error


def test_the_range_holds_as_often_as_it_says() -> None:
    found = places(7)
    torches = np.array([p for p, shop in found if not shop])
    shops = np.array([p for p, shop in found if shop])
    inside = np.mean((torches > 0.05) & (torches < 0.95))
    # 50 torches of 10 shops: SE of 90 % is 4 points, and a little more for torches of one shop.
    assert inside > 0.9 - 3 * math.sqrt(0.9 * 0.1 / len(torches))
    # Nor so wide that it says nothing: half of them lie within the middle half.
    middle = np.mean((torches > 0.25) & (torches < 0.75))
    assert abs(middle - 0.5) < 3.5 * math.sqrt(0.25 / len(torches))
    assert abs(torches.mean() - 0.5) < 3.5 * math.sqrt(1 / 12 / len(torches))
    # Torches of a shop share what the fit does not know: their sum's place is even too.
    assert abs(shops.mean() - 0.5) < 3 * math.sqrt(1 / 12 / len(shops))
    assert np.mean((shops > 0.05) & (shops < 0.95)) >= 0.7
