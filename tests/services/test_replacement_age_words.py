"""What a page says of a best age: its range, and what is left out of it."""

from __future__ import annotations

import math
from dataclasses import replace

from pitwise.services.replacement_words import age_words
from pitwise.wear.life.lives import Lives
from pitwise.wear.life.weibull import fit_weibull
from pitwise.wear.replacement.age import best_age_of

LIVES = Lives.of([*range(200, 800, 20)], [*range(200, 800, 20)])


def test_a_best_age_is_said_with_its_range_and_what_it_leaves_out() -> None:
    found = best_age_of(fit_weibull(LIVES), 100.0, 2000.0, draws_seed=1)
    said = age_words(found, "EUR")
    assert f"lies between {found.age_low:.0f} and {found.age_high:.0f} starts (9" in said
    assert said.endswith("lives, and the best age, come out too long.")
    open_ended = age_words(replace(found, age_high=math.inf), "EUR")
    assert f"lies from {found.age_low:.0f} starts on, or never comes (9" in open_ended
