"""What a fit and a forecast rest on, said in words."""

from __future__ import annotations

import math

from pitwise.wear.fit import WearFit
from pitwise.wear.history import History
from pitwise.wear.state import (
    Basis,
)


def basis_words(basis: Basis, process: str, own: int = 0) -> str:
    """Say what an electrode's expected rate rests on; `own` counts its own readings."""
    if basis == "sheet" and own:
        return (
            f"From this electrode's own reading{'s' if own > 1 else ''} alone, starting at the "
            "trade sheet's prior."
        )
    return {
        "sheet": "No readings yet: this is the trade sheet's prior speaking, not this shop.",
        "other-processes": f"No other reading on {process} yet: its rate is guessed from the "
        "shop's other processes.",
        "this-process": f"From this shop's own readings on {process}.",
    }[basis]


def fit_notes(fit: WearFit) -> tuple[str, ...]:
    """Return what a reader of the fit must know, one sentence each."""
    notes: list[str] = []
    if not fit.readings:
        return ("No readings: every number here is the trade sheet's prior.",)
    if not fit.kappa_identified:
        mix = fit.minutes_per_start
        held = f" of {mix[0]:.2g} to {mix[2]:.2g} arc minutes per start" if mix else ""
        notes.append(
            "The jobs are too alike to tell wear by starts from wear by arc minutes: "
            f"forecasts hold for jobs{held}, and not for others."
        )
    if fit.losses.losses == 0:
        notes.append("No loss in the cut is on record: the chance of one is the sheet's prior.")
    elif fit.losses.losses < 20:
        notes.append(
            f"Only {fit.losses.losses} losses in the cut on record: how fast their chance "
            "grows with depth leans on the sheet's prior."
        )
    for reading in fit.set_aside:
        notes.append(f"Set aside: electrode {reading.electrode}, {reading.text}.")
    return tuple(notes)


def electrode_notes(history: History, fit: WearFit) -> tuple[str, ...]:
    """Return what is odd about one electrode's own record."""
    notes: list[str] = []
    if history.ended == "replaced":
        notes.append("It was replaced: this is what it would do if it went on.")
    sigma = fit.values["sigma"]
    wild = {s.step for s in fit.set_aside if s.electrode == history.name}
    before: float | None = None
    for k, step in enumerate(history.steps):
        if step.depth_mm is None or k in wild:
            continue
        if before is not None and before - step.depth_mm > 2 * math.sqrt(2) * sigma:
            notes.append(
                f"A reading of {step.depth_mm:g} mm after one of {before:g} mm: a pit does not "
                "fill up. Gauge again, or was another electrode gauged?"
            )
        before = step.depth_mm
    return tuple(notes)


def depth_notes(depth_mm: float, fit: WearFit) -> tuple[str, ...]:
    """Say when a forecast runs past any depth there can be."""
    if depth_mm <= fit.prior.deepest_mm:
        return ()
    return (
        f"The job runs on to depths no reading has shown (the deepest there can be is "
        f"{fit.prior.deepest_mm:g} mm): read it as past the limit, not as a depth.",
    )
