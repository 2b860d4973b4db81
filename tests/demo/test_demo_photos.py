"""The made-up shop's photos: rendered, said so, measured or refused like any other."""

from __future__ import annotations

import pytest

from kit import Floor
from pitwise.demo.photos import PhotoStory, furnish
from pitwise.services import drafts


def test_few_inspections_have_one() -> None:
    story = PhotoStory()
    assert not story.wants("North 1", 0.5, finish=True)
    assert story.wants("North 1", 0.99, finish=True)
    assert not story.wants("South 2", 0.99, finish=True)
    assert story.wants("South 2", 0.99, finish=False)
    story.taken["North 1"] = 3
    assert not story.wants("North 1", 0.99, finish=True)


def test_one_is_measured_and_one_refused_and_both_are_called_rendered(lite: Floor) -> None:
    furnish(lite.shop, lite.lead)
    number = lite.draft()
    story = PhotoStory()
    draft = drafts.read_draft(lite.shop, lite.tech, number)
    draft = story.take(lite.shop, lite.tech, number, "North 1", draft, "test-demo-1")
    draft = story.take(lite.shop, lite.tech, number, "South 2", draft, "test-demo-2")
    good, askew = draft.holes["nozzle"]
    assert good.rendered
    assert good.row.diameter_mm == pytest.approx(2.40, abs=0.03)
    assert askew.rendered
    assert askew.refusal is not None
    assert askew.refusal["reason"] == "too-tilted"
    (growth,) = [
        h for h in draft.decision.parts["nozzle"].holes if h.reading.quantity == "orifice-growth"
    ]
    assert growth.limit is not None
    assert growth.limit.quoted() == "0.25 mm"
