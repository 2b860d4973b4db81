"""The range of the demand holds as often as it says, in shops simulated apart from the forecast.

The truth is run electrode by electrode in plain Python (`pitwise.demo.simulate`, the design's
wear model), with a technician who gauges, gauges again when in doubt, and changes. The forecast
sees only what the shop's book would hold: readings, counters, the days of its rounds.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from random import Random

import numpy as np
from scipy.special import ndtri

from pitwise.demo.simulate import SimulatedElectrode, WearTruth
from pitwise.shelf.demand import Counted, DailyWork, TorchLoad, WearingSet, simulate_changes
from pitwise.shelf.usual import Stretch, usual_work
from pitwise.trade import base_sheet
from pitwise.wear.fit import WearFit, fit_wear
from pitwise.wear.history import History, Step
from pitwise.wear.prior import GrowthPrior
from pitwise.wear.state import known_electrode, new_electrode, use

LIMIT, SIGMA, GAPS = 1.5, 0.02, (3, 4, 4, 5, 7)
SHOPS, TORCHES, DAYS, PAST = 10, 5, 60, 60
PATHS = 800


@dataclass
class Torch:
    """A torch of the truth."""

    name: str
    truth: WearTruth
    per_day: float
    each: float
    random: Random

    def __post_init__(self) -> None:
        self.electrode = SimulatedElectrode(self.truth, self.random)
        self.steps: list[Step] = []
        self.ended: list[History] = []
        self.wait = self.random.choice(GAPS)
        self.since = 0
        self.stretches: list[tuple[int, float, float]] = []
        self.made = self.burnt = 0.0
        self.days = 0

    def day(self) -> int:
        """Work a day; tell how many sets were changed."""
        starts = round(self.per_day * self.random.gammavariate(8, 1 / 8))
        self.electrode.run(starts, starts * self.each)
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
    for _ in range(shops):
        truth = WearTruth(random.lognormvariate(math.log(0.5), 0.25))
        torches = [
            Torch(f"T{k}", truth, random.uniform(60, 140), random.uniform(0.3, 0.6), random)
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
    assert np.mean((shops > 0.05) & (shops < 0.95)) >= 0.7
