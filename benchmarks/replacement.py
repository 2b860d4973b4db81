"""After so many lives, what does the advice of when to change cost in the true world?

`python -m benchmarks.replacement [--lives N] [--shops N]` prints the table of
docs/when-to-change.md. A simulated shop that knows no more than the trade sheet runs its
electrodes, fits, asks for the best rule and keeps to it; the truth then says what that costs,
against the best rule of one who knows the truth.
"""

from __future__ import annotations

import argparse
import math
import statistics
from dataclasses import dataclass

from benchmarks.replacement_worlds import PRIOR, Truth, known_fit, run_lives
from pitwise.wear.fit import fit_wear
from pitwise.wear.replacement.depth import DepthPolicy, best_depth, search
from pitwise.wear.replacement.outcome import rule_cost
from pitwise.wear.replacement.paths import simulate
from pitwise.wear.replacement.rule import ChangeCosts

EVERY = (50, 75, 100, 150, 200, 250, 300, 400)
COSTS = ChangeCosts(look=6.0, change=80.0, loss=2100.0)


@dataclass(frozen=True)
class World:
    """A true world, its limit, and the accepted share of lives that pass it."""

    name: str
    truth: Truth
    limit_mm: float
    risk: float

    @property
    def depths_mm(self) -> tuple[float, ...]:
        return tuple(
            round(0.3 + 0.05 * k, 2) for k in range(round((self.limit_mm - 0.3) / 0.05) + 1)
        )


@dataclass(frozen=True)
class Outcome:
    """What shops' advice cost above the least, as shares."""

    excess: tuple[float, ...]
    past: tuple[float, ...]
    losses: tuple[int, ...]

    @property
    def mean(self) -> float:
        return statistics.fmean(self.excess)

    @property
    def se(self) -> float:
        return statistics.stdev(self.excess) / math.sqrt(len(self.excess))


WORLDS = (
    World("losses as the sheet expects, limit 1.0 mm", Truth(base=1e-5, slope=3.0), 1.0, 0.05),
    World(
        "losses as the sheet expects, limit 1.5 mm, no accepted chance asked",
        Truth(base=1e-5, slope=3.0),
        1.5,
        1.0,
    ),
    World("few losses: a tenth of them", Truth(base=1e-6, slope=3.0), 1.0, 0.05),
    World(
        "losses twice as steep in depth as the sheet expects",
        Truth(base=1e-6, slope=6.0),
        1.0,
        0.05,
    ),
)


def shops(world: World, *, lives: int, count: int, first: int = 1) -> Outcome:
    """Run shops of one world, each from its own seed, and cost what they are advised."""
    known = simulate(
        known_fit(world.truth, draws=50),
        "p",
        to_mm=world.limit_mm,
        step_starts=25,
        minutes_per_start=world.truth.minutes,
        gauge_sigma_mm=None,
        seed=99,
        draws=50,
        electrodes=120,
    )
    best = search(known, world.limit_mm, COSTS, EVERY, world.depths_mm, world.risk)
    assert isinstance(best, DepthPolicy)
    excess, past, losses = [], [], []
    for seed in range(first, first + count):
        histories = run_lives(world.truth, lives, seed=seed, change_at=0.95 * world.limit_mm)
        advised = best_depth(
            fit_wear(histories, PRIOR),
            "p",
            world.limit_mm,
            COSTS,
            minutes_per_start=world.truth.minutes,
            gauge_sigma_mm=None,
            every=EVERY,
            depths_mm=world.depths_mm,
            seed=seed,
            accepted_risk=world.risk,
        )
        losses.append(sum(h.ended == "lost" for h in histories))
        if not isinstance(advised, DepthPolicy):
            raise SystemExit(f"{world.name}, seed {seed}: no rule is allowed")
        real = rule_cost(known, advised.best.rule, world.limit_mm, COSTS)
        excess.append(real.per_start / best.cost_per_start - 1)
        past.append(real.past_share)
    return Outcome(tuple(excess), tuple(past), tuple(losses))


def main() -> int:
    parser = argparse.ArgumentParser(prog="benchmarks.replacement", description=__doc__)
    parser.add_argument("--lives", type=int, default=100)
    parser.add_argument("--shops", type=int, default=16)
    args = parser.parse_args()
    print("| world | losses | cost above the least | worst shop | pass the limit |")
    print("|---|---|---|---|---|")
    for world in WORLDS:
        got = shops(world, lives=args.lives, count=args.shops)
        print(
            f"| {world.name} | {min(got.losses)} to {max(got.losses)} | {100 * got.mean:.2f} % "
            f"(standard error {100 * got.se:.2f}) | {100 * max(got.excess):.1f} % | "
            f"{100 * statistics.fmean(got.past):.1f} % (at most {100 * max(got.past):.1f}) |",
            flush=True,
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
