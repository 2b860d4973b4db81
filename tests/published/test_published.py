"""The main job against sources outside the project; each check names its own.

Where a printed value is quoted from memory it says so, and stands beside the same value
recomputed by a reference library.
"""

from __future__ import annotations

import re
from pathlib import Path

import argon2
import pytest
from scipy import constants
from scipy.stats import norm

from pitwise.measure.conformity import judge, probability_over
from pitwise.measure.depth import parse_depth
from pitwise.services.people import HASHER
from pitwise.trade import base_sheet
from pitwise.trade.model import ProcessSelector

CSS = Path(__file__).parents[2] / "src/pitwise/web/static/pitwise.css"


def test_inch_and_thou() -> None:
    # NIST SP 811 (2008), appendix B: 1 in = 2.54 E-02 m and 1 mil = 2.54 E-05 m, exact.
    assert float(parse_depth("1 in").mm) == 25.4
    assert float(parse_depth("1 thou").mm) == 0.0254
    assert float(parse_depth("1 in").mm) / 1000 == constants.inch
    assert float(parse_depth("1 thou").mm) / 1000 == constants.mil


@pytest.mark.parametrize(
    ("estimate", "limit", "u", "conforms"),
    [
        # JCGM 106:2012, 7.4, example: breakdown voltage of a Zener diode, upper limit -5.40 V,
        # measured -5.47 V with u = 0.05 V: p_c = 0.92 (values quoted from memory).
        (-5.47, -5.40, 0.05, 0.92),
        # The same clause's second example, mirrored from a lower to an upper limit: burst
        # strength at least 490 kPa, measured 507 kPa with u = 6 kPa: 0.998 (from memory).
        (-507.0, -490.0, 6.0, 0.998),
    ],
)
def test_jcgm_106_one_sided_examples(
    estimate: float, limit: float, u: float, conforms: float
) -> None:
    ours = 1 - probability_over(estimate, limit, u)
    digits = len(str(conforms).split(".")[1])
    assert round(ours, digits) == conforms
    assert ours == pytest.approx(norm.cdf(limit, loc=estimate, scale=u), rel=1e-13)


@pytest.mark.parametrize(
    ("conformance", "z"),
    # JCGM 106:2012, table of z for one-sided limits (quoted from memory).
    [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)],
)
def test_jcgm_106_table_of_z(conformance: float, z: float) -> None:
    exact = float(norm.ppf(conformance))
    assert round(exact, 2) == z
    assert probability_over(1.0 - exact * 0.03, 1.0, 0.03) == pytest.approx(
        1 - conformance, rel=1e-10
    )


def test_iso_14253_guard_band() -> None:
    # ISO 14253-1:2017: default guard band for 95 % one-sided conformance, g = 1.65 u (from
    # memory). Just inside it is kept, just outside asks for a repeat.
    limit = base_sheet().limit_for("electrode", "pit-depth", ProcessSelector())
    assert limit is not None
    u = 0.04

    def verdict(depth: float) -> str:
        return judge([parse_depth(f"{depth:.6f} mm")], limit, u, 0.05).verdict

    assert verdict(1.0 - 1.65 * u) == "keep"
    assert verdict(1.0 - 1.64 * u) == "recheck"


@pytest.mark.parametrize("z", [-8.0, -3.0, -1.0, 0.0, 0.5, 2.0, 5.0, 8.0, 20.0])
def test_normal_tail_against_scipy(z: float) -> None:
    assert probability_over(10 + z, 10.0, 1.0) == pytest.approx(norm.sf(-z), rel=1e-12)


def _luminance(colour: str) -> float:
    # WCAG 2.2, definition of relative luminance (https://www.w3.org/TR/WCAG22/).
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, two: str) -> float:
    # WCAG 2.2, definition of contrast ratio.
    light, dark = sorted((_luminance(one), _luminance(two)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_wcag_contrast_formula_on_its_known_ends() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0, rel=1e-12)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


def test_colours_of_the_pages_reach_wcag_aa() -> None:
    # WCAG 2.2, 1.4.3: at least 4.5:1 for text.
    variables = dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6})", CSS.read_text()))
    for ink in ("ink", "soft", "problem", "good"):
        for paper in ("paper", "sheet", "tint"):
            assert contrast(variables[ink], variables[paper]) >= 4.5, (ink, paper)
    assert contrast(variables["sheet"], variables["ink"]) >= 7
    assert contrast(variables["soft"], variables["faint"]) >= 4.5


def test_argon2_parameters_reach_the_published_floors() -> None:
    # OWASP Password Storage Cheat Sheet: Argon2id with at least 19 MiB, t = 2, p = 1.
    assert HASHER.type is argon2.Type.ID
    assert HASHER.memory_cost >= 19 * 1024
    assert HASHER.time_cost >= 2
    assert HASHER.parallelism >= 1
    # RFC 9106, section 4, second recommended option; argon2-cffi ships it as a profile.
    profile = argon2.profiles.RFC_9106_LOW_MEMORY
    assert HASHER.memory_cost >= profile.memory_cost
    assert HASHER.time_cost >= profile.time_cost
    assert HASHER.salt_len >= 16
    assert HASHER.hash_len >= 16
    stored = HASHER.hash("a long enough one")
    assert stored.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
