"""The made-up shop's studies are finished, say that they are made up, and come out the same."""

from __future__ import annotations

from kit import Floor
from pitwise.demo.studies import add_studies
from pitwise.services import agreement_results, agreement_studies, gauge_results, gauge_studies


def test_both_studies_are_finished_and_said_to_be_made_up(lite: Floor) -> None:
    lite.clock.forward(days=1)
    people = (lite.lead, lite.tech, lite.admin)
    add_studies(lite.shop, people, seed=2026, wait=lambda m: lite.clock.forward(minutes=m))
    lines = (
        *gauge_studies.studies(lite.shop, lite.tech),
        *agreement_studies.studies(lite.shop, lite.tech),
    )
    assert [line.state for line in lines] == ["closed", "closed"]
    assert all("made up" in line.name for line in lines)
    told = gauge_results.result(lite.shop, lite.tech, 1)
    assert told.values.shape == (3, 10, 3)
    assert 0.01 < told.u_mm < 0.04
    assert told.adoption is None
    agreed = agreement_results.result(lite.shop, lite.tech, 1)
    assert len(agreed.people) == 3
    assert agreed.action.kappa is not None
    assert 0.3 < agreed.action.kappa.kappa < 0.95
    assert agreed.findings[0].apart > 0
