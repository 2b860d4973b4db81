"""How much to have when one chance to fill the shelf must do: the newsvendor.

Also the base stock of a slow item that is reordered piece by piece.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import log_ndtr, ndtr, ndtri

from .demand_pmf import Pmf
from .refusal import OutOfRangeError, above_zero, share, whole, zero_or_more

_ROOT_2PI = math.sqrt(2 * math.pi)
# Sums of doubles differ by so much where they should be the same.
_SAME = 1e-12


@dataclass(frozen=True)
class Stock:
    """A stock for one stretch of time, and what it does.

    Attributes
    ----------
    pieces : float
        S, what is there at the start (base stock); whole for a demand in pieces.
    cost : float
        h·left + p·short. The price of the pieces is not in it.
    critical_ratio : float
        p/(h + p): the best S covers the demand with this probability.
    left, short : float
        Mean pieces left over, mean pieces asked for in vain.
    cycle_service : float
        Chance that all demand is met, P(D ≤ S).
    fill_rate : float
        Share of the demand that is met, 1 − short/mean; 1 where there is no demand.
    mean, sd : float
        Of the demand, pieces.
    below_zero : float
        Chance that the model gives a demand below zero (normal demand only).
    """

    pieces: float
    cost: float
    critical_ratio: float
    left: float
    short: float
    cycle_service: float
    fill_rate: float
    mean: float
    sd: float
    below_zero: float = 0.0


def newsvendor(demand: Pmf, holding: float, stockout: float, *, stock: int | None = None) -> Stock:
    r"""Return the cheapest stock for a demand in whole pieces, or what a given one does.

    Parameters
    ----------
    demand : Pmf
        Pieces asked for until the shelf can be filled again.
    holding : float
        Cost h of one piece left over, > 0.
    stockout : float
        Cost p of one piece asked for in vain, > 0.
    stock : int, optional
        A stock to be judged, ≥ 0, instead of the cheapest.

    Raises
    ------
    OutOfRangeError

    Notes
    -----
    g(S) = h·E(S − D)⁺ + p·E(D − S)⁺; the least S with F(S) ≥ p/(h + p) [1]_. Where two S cost
    the same, the smaller.

    For a slow item that is reordered piece by piece, with `demand` that of the lead time, and
    h and p per piece and unit of time, the same g(S) is the cost of keeping S in stock and on
    order together (base stock, the reorder point is S − 1) [2]_.

    References
    ----------
    .. [1] K. J. Arrow, T. Harris, J. Marschak, Econometrica 19 (1951) 250; Snyder & Shen,
       Fundamentals of Supply Chain Theory, 2nd ed. (2019), §4.3 (from memory).
    .. [2] P. H. Zipkin, Foundations of Inventory Management (2000), §6.2 (from memory).
    """
    holding, stockout = above_zero(holding, "holding"), above_zero(stockout, "stockout")
    ratio = stockout / (holding + stockout)
    if stock is None:
        s = demand.least(ratio, holding / (holding + stockout))
    else:
        s = whole(stock, "stock", 0)
    left, short = float(demand.left(s)), float(demand.short(s))
    return Stock(
        float(s),
        _finite(holding * left + stockout * short),
        ratio,
        left,
        short,
        float(demand.cdf(s)),
        1 - short / demand.mean if demand.mean > 0 else 1.0,
        demand.mean,
        demand.sd,
    )


def stock_for_service(
    demand: Pmf, service: float, measure: Literal["fill", "cycle"] = "fill"
) -> int:
    """Return the least stock for one stretch of time that reaches an asked service.

    Parameters
    ----------
    demand : Pmf
        Pieces asked for until the shelf can be filled again.
    service : float
        Asked share, above 0 and below 1.
    measure : {"fill", "cycle"}
        Share of the demand that is met, 1 − E(D − S)⁺/E D, or chance that all of it is, P(D ≤ S).

    Notes
    -----
    For a slow item that is reordered piece by piece take `reorder.least_base_stock`: its shelf
    is filled again all the time.
    """
    asked = share(service, "service")
    if measure == "cycle" or demand.mean == 0:
        return demand.least(asked, 1 - asked)
    short = demand.short(np.arange(demand.largest + 1))
    most = (1 - asked) * demand.mean * (1 + _SAME)
    return int(np.searchsorted(-short, -most))


def newsvendor_normal(
    mean: float, sd: float, holding: float, stockout: float, *, stock: float | None = None
) -> Stock:
    r"""Return the cheapest stock for a normal demand, or what a given one does.

    Parameters
    ----------
    mean : float
        μ of the demand, > 0, pieces.
    sd : float
        σ of the demand, ≥ 0, pieces.
    holding, stockout, stock
        As for `newsvendor`; `stock` any finite number.

    Notes
    -----
    S = μ + zσ with Φ(z) = p/(h + p), g(S) = (h + p) φ(z) σ; for any S, with z = (S − μ)/σ,
    E(D − S)⁺ = σ(φ(z) − z(1 − Φ(z))) and E(S − D)⁺ = σ(φ(z) + zΦ(z)) [1]_.

    References
    ----------
    .. [1] Snyder & Shen, Fundamentals of Supply Chain Theory, 2nd ed. (2019), §4.3.2 (numbers
       of equations: 4.24, 4.30, 4.37; from the docstrings of stockpyl, not from the book).
    """
    holding, stockout = above_zero(holding, "holding"), above_zero(stockout, "stockout")
    mean, sd = above_zero(mean, "mean"), zero_or_more(sd, "sd")
    ratio, rest = stockout / (holding + stockout), holding / (holding + stockout)
    if stock is None:
        # From the nearer end, where it is not rounded.
        z = float(ndtri(ratio) if ratio <= 0.5 else -ndtri(rest))
        s = mean + z * sd
    else:
        s = float(stock)
        if not math.isfinite(s):
            raise OutOfRangeError("stock", f"{s:g} is no stock", "give pieces")
        z = (s - mean) / sd if sd else math.copysign(math.inf, s - mean) if s != mean else 0.0
    if sd == 0:
        left, short, cycle = max(s - mean, 0.0), max(mean - s, 0.0), float(s >= mean)
    else:
        left, short, cycle = sd * _above(-z), sd * _above(z), float(ndtr(z))
    cost = _finite(holding * left + stockout * short)
    none = float(ndtr(-mean / sd)) if sd else 0.0
    return Stock(s, cost, ratio, left, short, cycle, 1 - short / mean, mean, sd, none)


def _above(z: float) -> float:
    """Return the standard normal loss E(Z − z)⁺ = φ(z) − z(1 − Φ(z))."""
    if not math.isfinite(z):
        return 0.0 if z > 0 else math.inf
    phi = math.exp(-z * z / 2) / _ROOT_2PI
    if z < 5:
        return phi - z * float(ndtr(-z))
    # Both terms nearly cancel far out: the continued fraction of Mills' ratio, backwards.
    tail = 0.0
    for k in range(60, 0, -1):
        tail = k / (z + tail)
    # 1 − Φ = φ/(z + tail), so the loss is φ·tail/(z + tail).
    return math.exp(float(log_ndtr(-z))) * tail


def _finite(cost: float) -> float:
    if not math.isfinite(cost):
        raise OutOfRangeError("stockout", "the cost is beyond all numbers", "check the costs")
    return cost
