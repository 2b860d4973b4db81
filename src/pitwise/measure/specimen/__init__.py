"""Rendered specimens with exact truth: to train the eye and to try the measurement on."""

from pitwise.measure.specimen.draw import develop, exposure, noise_sd, render
from pitwise.measure.specimen.practice import (
    LABEL,
    LEVELS,
    Seen,
    Thresholds,
    Verdict,
    as_new,
    specimen,
    verdict,
)
from pitwise.measure.specimen.scene import Ground, Scene
from pitwise.measure.specimen.truth import Truth, truth_of

__all__ = [
    "LABEL",
    "LEVELS",
    "Ground",
    "Scene",
    "Seen",
    "Thresholds",
    "Truth",
    "Verdict",
    "as_new",
    "develop",
    "exposure",
    "noise_sd",
    "render",
    "specimen",
    "truth_of",
    "verdict",
]
