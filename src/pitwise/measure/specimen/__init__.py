"""Rendered specimens with exact truth: to train the eye and to try the measurement on."""

from pitwise.measure.specimen.draw import develop, exposure, noise_sd, render
from pitwise.measure.specimen.scene import Ground, Scene
from pitwise.measure.specimen.truth import Truth, truth_of

__all__ = [
    "Ground",
    "Scene",
    "Truth",
    "develop",
    "exposure",
    "noise_sd",
    "render",
    "truth_of",
]
