"""Kits beside their pieces: which of the two is bought, and how many kits will be opened."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from pitwise.services.shelf_demand import ItemDemand, ShopDemand
from pitwise.services.shelf_model import ItemLine
from pitwise.shelf.paths import DemandPaths, kits_needed
from pitwise.wear.cant_tell import CantTell

LOOSE = "its pieces, cheaper loose"
UNEVEN = "its pieces: more lie loose of one than of another"
_LEAST_UNEVEN = 2.0


def bought_in_kits(lines: Sequence[ItemLine], demand: ShopDemand) -> dict[int, str]:
    """Return the items that are bought in a kit, and its name; kits not bought, and why.

    A kit is bought where it has terms, its pieces have none or cost as much loose, and what
    lies loose of them is about even: more than a month's need apart, the one that is missing
    is bought by itself and the others are used up.
    """
    by_id = {line.id: line for line in lines}
    out: dict[int, str] = {}
    for kit in lines:
        if not kit.kit or kit.terms is None or not kit.active:
            continue
        loose = 0.0
        for part in kit.kit:
            own = by_id.get(part.item_id)
            terms = own.terms if own is not None else None
            if terms is None or terms.currency != kit.terms.currency:
                loose = math.inf
                break
            loose += part.pieces * terms.price
        if kit.terms.price > loose:
            out[kit.id] = LOOSE
        elif math.isfinite(loose) and _uneven(kit, by_id, demand):
            out[kit.id] = UNEVEN
        else:
            for part in kit.kit:
                out.setdefault(part.item_id, kit.name)
    return out


def _uneven(kit: ItemLine, by_id: dict[int, ItemLine], demand: ShopDemand) -> bool:
    there = [max(0, by_id[k.item_id].on_shelf) / k.pieces for k in kit.kit if k.item_id in by_id]
    month = _LEAST_UNEVEN
    for part in kit.kit:
        own = demand.of.get(part.item_id)
        if own is not None and isinstance(own.paths, DemandPaths):
            month = max(month, float(np.median(own.paths.total(0, 28))) / part.pieces)
    return max(there, default=0.0) - min(there, default=0.0) > month


def kit_or_item_demand(
    demand: ShopDemand, line: ItemLine, by_id: dict[int, ItemLine]
) -> ItemDemand:
    """Return what will go of an item; of a kit, those opened for want of loose pieces too."""
    if not line.kit:
        return demand.of[line.id]
    holds = {k.item_id: k.pieces for k in line.kit}
    known = {k: demand.of[k] for k in holds if k in demand.of}
    needs = {k: d.paths for k, d in known.items() if isinstance(d.paths, DemandPaths)}
    by_hand = demand.of.get(line.id)
    if not needs:
        if by_hand is not None:
            return by_hand
        first = next((d.paths for d in known.values()), None)
        why = (
            first
            if isinstance(first, CantTell)
            else CantTell("its pieces are not kept on the shelf", "add them as items")
        )
        return ItemDemand(why, (), ())
    loose = {k: by_id[k].on_shelf for k in holds if k in by_id}
    basis = tuple(dict.fromkeys(x for d in known.values() for x in d.basis))
    torches = tuple(dict.fromkeys(t for d in known.values() for t in d.torches))
    out = tuple(dict.fromkeys(x for d in known.values() for x in d.left_out))
    opened = kits_needed(needs, loose, holds)
    if by_hand is not None and isinstance(by_hand.paths, DemandPaths):
        opened, basis = opened + by_hand.paths, (*basis, *by_hand.basis)
    return ItemDemand(
        opened,
        (*basis, "Pieces that lie loose go first, then a kit is opened."),
        torches,
        out,
    )
