"""A fit as plain data and back, to the last bit, so that a stored forecast can be led back."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from pitwise.wear.fit import Draws, WearFit
from pitwise.wear.hazard import LossFit
from pitwise.wear.pool import Belief
from pitwise.wear.prior import GrowthPrior
from pitwise.wear.screen import SetAside

FORMAT = 1


def fit_to_plain(fit: WearFit) -> dict[str, Any]:
    """Return a fit as data JSON can hold."""
    return {
        "format": FORMAT,
        "prior": asdict(fit.prior),
        "theta": fit.theta.tolist(),
        "se": fit.se.tolist(),
        "loglik": fit.loglik,
        "processes": list(fit.processes),
        "rates": [[b.mean, b.sd] for b in fit.rates],
        "electrodes_of": list(fit.electrodes_of),
        "readings_of": list(fit.readings_of),
        "electrodes": fit.electrodes,
        "readings": fit.readings,
        "draws": {name: value.tolist() for name, value in vars(fit.draws).items()},
        "losses": {
            "mean": fit.losses.mean.tolist(),
            "covariance": fit.losses.covariance.tolist(),
            "losses": fit.losses.losses,
        },
        "set_aside": [asdict(x) for x in fit.set_aside],
        "minutes_per_start": None if fit.minutes_per_start is None else list(fit.minutes_per_start),
    }


def fit_from_plain(data: dict[str, Any]) -> WearFit:
    """Return the fit that `fit_to_plain` wrote.

    Raises
    ------
    ValueError
        Written in another format.
    """
    if data.get("format") != FORMAT:
        raise ValueError(f"a fit of format {data.get('format')} can't be read: fit again")
    prior = data["prior"]
    mix, small = data["minutes_per_start"], prior.get("small_phi")
    return WearFit(
        prior=GrowthPrior(
            prior["quantity"],
            tuple(prior["mean"]),
            tuple(prior["sd"]),
            (prior["loss_mean"][0], prior["loss_mean"][1]),
            (prior["loss_sd"][0], prior["loss_sd"][1]),
            prior["deepest_mm"],
            None if small is None else (small[0], small[1], small[2]),
        ),
        theta=np.array(data["theta"]),
        se=np.array(data["se"]),
        loglik=data["loglik"],
        processes=tuple(data["processes"]),
        rates=tuple(Belief(*pair) for pair in data["rates"]),
        electrodes_of=tuple(data["electrodes_of"]),
        readings_of=tuple(data["readings_of"]),
        electrodes=data["electrodes"],
        readings=data["readings"],
        draws=Draws(
            **{
                # Without a process, rows of no column keep their shape.
                name: np.array(value, dtype=float).reshape(len(value), -1)
                for name, value in data["draws"].items()
            }
        ),
        losses=LossFit(
            np.array(data["losses"]["mean"]),
            np.array(data["losses"]["covariance"]),
            data["losses"]["losses"],
        ),
        set_aside=tuple(SetAside(**x) for x in data["set_aside"]),
        minutes_per_start=None if mix is None else (mix[0], mix[1], mix[2]),
    )
