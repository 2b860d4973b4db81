"""Best ages of the parts that were lost in the cut, by their lives alone."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.services.life_book import lives_for
from pitwise.services.life_model import PartLife
from pitwise.services.replacement_costs import NOZZLE
from pitwise.services.replacement_model import AgeAdvice, CostsUsed
from pitwise.services.replacement_simulated import SEED
from pitwise.services.replacement_words import age_words
from pitwise.services.shelf_prices import price_at
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import PART_SLUGS
from pitwise.wear.cant_tell import CantTell
from pitwise.wear.life.tell import FEWEST_ENDS, TooFewToTell, tell
from pitwise.wear.refusal import FitRefusedError
from pitwise.wear.replacement.age import AgeRange, best_age_of


def age_advice(
    session: Session,
    shop: Shop,
    lives: Sequence[PartLife],
    money: CostsUsed,
    names: dict[str, str],
) -> tuple[AgeAdvice, ...]:
    """Best ages of the parts that were lost in the cut, by their lives alone."""
    out = []
    for slug in PART_SLUGS:
        mine = [p for p in lives if p.part == slug]
        lost = sum(p.end == "lost" for p in mine)
        if not lost and slug != PIT_PART:
            continue
        price = money.parts
        if slug not in (PIT_PART, NOZZLE):
            newest = max(mine, key=lambda p: (p.fitted_at, p.item_id))
            known = price_at(session, newest.part_type_id, shop.clock())
            if known is None or known[1] != money.currency:
                why = CantTell(f"The shelf has no price of the {names[slug].lower()}.", "set one")
                out.append(AgeAdvice(slug, names[slug], len(mine), lost, 0, 0, why, why.reason))
                continue
            price = known[0]
        planned = money.costs.look + money.costs.change - money.parts + price
        loss = money.costs.loss - money.parts + price
        found = _age_of(mine, lost, planned, loss, names[slug])
        words = found.reason if isinstance(found, CantTell) else age_words(found, money.currency)
        out.append(AgeAdvice(slug, names[slug], len(mine), lost, planned, loss, found, words))
    return tuple(out)


def _age_of(
    lives: Sequence[PartLife], lost: int, planned: float, loss: float, name: str
) -> AgeRange | CantTell:
    if lost < FEWEST_ENDS:
        so_far = "None" if not lost else f"Only {lost}"
        return CantTell(
            f"{so_far} of {len(lives)} {'were' if lost > 1 else 'was'} lost in the cut: too few to "
            f"tell an age ({FEWEST_ENDS} at least).",
            "nothing to do: every loss that is signed counts",
        )
    try:
        told = tell(lives_for(lives, "lost", "starts"))
    except FitRefusedError as error:
        return CantTell(f"{name}: {error.reason}.", error.mend)
    if isinstance(told, TooFewToTell):
        return CantTell(f"{told.reason[:1].upper()}{told.reason[1:]}.", told.mend)
    return best_age_of(told.fit, planned, loss, draws_seed=SEED)
