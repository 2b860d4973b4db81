"""The network of causes against outside values; tests/data/diagnosis.json names their sources."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pitwise.causes.evidence import Evidence, Grade, Soft
from pitwise.causes.explain import explanations
from pitwise.causes.network import Network
from pitwise.causes.posterior import posteriors

DATA = Path(__file__).parents[1] / "data/diagnosis.json"
ITEMS: dict[str, Any] = {x["id"]: x for x in json.loads(DATA.read_text())["items"]}


@pytest.mark.parametrize("name", [x for x in ITEMS if x.startswith("qmr")])
def test_noisy_or_in_rational_arithmetic(name: str) -> None:
    item = ITEMS[name]
    network = Network.of(item["prior"], item["leak"], item["link"])
    evidence = Evidence(
        frozenset(item["positive"]),
        frozenset(item["negative"]),
        tuple(Soft(j, present, absent) for j, present, absent in item["soft"]),
    )
    out = posteriors(network, evidence)
    exact = [float(Fraction(x)) for x in item["posterior_exact"]]
    np.testing.assert_allclose(out.p, exact, rtol=1e-13)
    if not item["soft"]:
        assert np.exp(out.log_evidence) == pytest.approx(
            float(Fraction(item["evidence_prob_exact"])), rel=1e-13
        )
    likeliest, p = explanations(network, evidence, 1)[0]
    assert likeliest == frozenset(np.flatnonzero(item["mpe"]).tolist())
    assert p == pytest.approx(item["mpe_posterior"], rel=1e-11)


def test_fever_table() -> None:
    item = ITEMS["nor-fever"]
    link = [[1 - x] for x in item["inhibit"].values()]
    for causes, absent in item["P_no_fever"].items():
        prior = [float(letter != "-") for letter in causes]
        out = posteriors(Network.of(prior, [0.0], link), Evidence(absent=frozenset([0])))
        assert np.exp(out.log_evidence) == pytest.approx(absent, rel=1e-12)


@pytest.mark.parametrize("grade", [0, 1, 2])
def test_noisy_max_in_rational_arithmetic(grade: int) -> None:
    item = ITEMS["nmax-01"]
    network = Network.of(item["prior"], [0.0], [[0.0], [0.0]])
    seen = Grade(0, grade, np.array(item["cum_given_cause"]), np.array(item["cum_leak"]))
    out = posteriors(network, Evidence(grades=(seen,)))
    want = item["by_grade"][str(grade)]
    np.testing.assert_allclose(out.p, [float(Fraction(x)) for x in want["posterior"]], rtol=1e-12)
    assert np.exp(out.log_evidence) == pytest.approx(float(Fraction(want["P"])), rel=1e-12)
