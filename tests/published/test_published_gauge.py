"""Gauge and agreement studies against published data sets."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from statsmodels.stats.inter_rater import aggregate_raters
from statsmodels.stats.inter_rater import fleiss_kappa as peer_kappa

from pitwise.measure.agreement import fleiss_kappa
from pitwise.measure.gauge import range_study, study
from pitwise.measure.gauge_range import range_factor

DATA = Path(__file__).parents[1] / "data"


def _gauge() -> tuple[Any, dict[str, Any]]:
    data = json.loads((DATA / "gauge_10x3x3.json").read_text("utf-8"))
    return np.array(data["x"]).transpose(0, 2, 1), data["expected"]


def test_the_analysis_of_variance() -> None:
    x, wanted = _gauge()
    found = study(x)
    ms = {row.source: row.ms for row in found.table}
    assert ms["person"] == pytest.approx(wanted["MS"]["appraiser"], abs=1e-9)
    assert ms["part"] == pytest.approx(wanted["MS"]["part"], abs=1e-9)
    assert ms["person × part"] == pytest.approx(wanted["MS"]["inter"], abs=1e-9)
    assert ms["repeatability"] == pytest.approx(wanted["MS"]["error"], abs=1e-9)
    own = wanted["pooled"]
    assert found.pooled
    assert found.reproducibility is not None
    assert found.repeatability.sd == pytest.approx(own["EV"], abs=1e-6)
    assert found.reproducibility.sd == pytest.approx(own["AV"], abs=1e-6)
    assert found.gauge.sd == pytest.approx(own["GRR"], abs=1e-6)
    assert found.part.sd == pytest.approx(own["PV"], abs=1e-6)
    assert found.total.sd == pytest.approx(own["TV"], abs=1e-6)
    assert found.gauge.percent_of_total == pytest.approx(own["pctGRR"], abs=1e-6)
    assert found.ndc == own["ndc"]
    # As printed (from memory).
    printed = [0.199933, 0.226838, 0.302373, 1.042327]
    got = [found.repeatability.sd, found.reproducibility.sd, found.gauge.sd, found.part.sd]
    assert got == pytest.approx(printed, abs=2e-6)


def test_the_range_method() -> None:
    x, wanted = _gauge()
    own, found = wanted["range_method"], range_study(x)
    assert [range_factor(3, 30), range_factor(3, 1), range_factor(10, 1)] == own["K"]
    assert found.reproducibility is not None
    assert found.repeatability.sd == pytest.approx(own["EV"], abs=1e-6)
    assert found.reproducibility.sd == pytest.approx(own["AV"], abs=1e-6)
    assert found.gauge.sd == pytest.approx(own["GRR"], abs=1e-6)
    assert found.part.sd == pytest.approx(own["PV"], abs=1e-6)
    assert found.total.sd == pytest.approx(own["TV"], abs=1e-6)
    assert found.gauge.percent_of_total == pytest.approx(own["pctGRR"], abs=1e-5)
    assert found.ndc == own["ndc"]
    # As printed (from memory), there with ranges cut to four decimals.
    printed = [0.20188, 0.22963, 0.30575, 1.10456, 1.14610]
    got = [found.repeatability.sd, found.reproducibility.sd, found.gauge.sd]
    assert [*got, found.part.sd, found.total.sd] == pytest.approx(printed, abs=2e-4)


def test_kappa_of_thirty_diagnoses() -> None:
    data = json.loads((DATA / "fleiss_1971.json").read_text("utf-8"))
    counts, names = aggregate_raters(np.array(data["rows"]))
    found = fleiss_kappa(counts, [str(n) for n in names])
    assert found.kappa == pytest.approx(0.43024452006, abs=1e-10)
    assert found.kappa == pytest.approx(peer_kappa(counts), abs=1e-12)
    assert round(found.kappa, 3) == 0.430
    assert found.word == "moderate"
    for j, row in enumerate(found.per_category):
        other = np.column_stack([counts[:, j], 6 - counts[:, j]])
        assert row.kappa == pytest.approx(peer_kappa(other), abs=1e-12)
