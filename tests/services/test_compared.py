"""Amounts, comparisons and the sentences made from them, against numbers reckoned by hand.

Outside checks: exact limits of a Poisson count (F. Garwood, "Fiducial limits for the Poisson
distribution", Biometrika 28, 1936, 437-442): with no event the upper one is -ln(0.05), and the
limits are quantiles of chi-squared over 2. Student's t of 2 and 3 degrees of freedom at 95 %,
2.920 and 2.353, and 1.645 of the normal, from any statistical table.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from pitwise.services.amounts import (
    Amount,
    add,
    amount_words,
    amounts_words,
    fine_text,
    in_currency,
)
from pitwise.services.compared import (
    Change,
    TooFew,
    compare_costs,
    compare_counts,
    compare_lives,
    cost_range,
    typical,
)
from pitwise.services.metres import Ranged
from pitwise.services.month_words import (
    MonthCost,
    change_words,
    cost_sentence,
    listed,
    lives_sentence,
    losses_sentence,
    plural,
    step_words,
    use_sentence,
)
from pitwise.wear.cant_tell import CantTell


def test_currencies_are_never_added_together() -> None:
    sums = add([Amount("EUR", 10, 8, 13), Amount.sure("SEK", 100), Amount("EUR", 5, 5, 6)])
    assert sums == (Amount("EUR", 15, 13, 19), Amount.sure("SEK", 100))
    assert amounts_words(sums) == "15.00 EUR (13.00 to 19.00) and 100 SEK"
    assert in_currency(sums, "USD").value == 0
    with pytest.raises(ValueError, match="no share"):
        sums[0].share_of(sums[1])
    assert add([]) == ()
    assert amounts_words(()) == "nothing"


money = st.tuples(
    st.sampled_from(["EUR", "SEK", "cost units"]),
    st.floats(0, 1e6),
    st.floats(0, 1),
    st.floats(0, 1),
).map(lambda x: Amount(x[0], x[1], x[1] * (1 - x[2]), x[1] * (1 + x[3])))


@given(st.lists(money, max_size=12))
def test_sums_do_not_hang_on_the_order(amounts: list[Amount]) -> None:
    one, other = add(amounts), add(amounts[::-1])
    assert one == other
    for a in one:
        own = [x.value for x in amounts if x.currency == a.currency]
        assert a.value == math.fsum(own)
        assert a.low <= a.value <= a.high


@pytest.mark.parametrize("bad", [(math.nan, 0, 1), (1, 2, 3), (1, 0, 0.5), (math.inf, 0, 1)])
def test_what_is_no_amount_is_refused(bad: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="amount"):
        Amount("EUR", *bad)


def test_amounts_in_words() -> None:
    assert (
        amount_words(Amount("EUR", 1234.5, 1000, 2000))
        == "1\u202f234 EUR (1\u202f000 to 2\u202f000)"
    )
    assert amount_words(Amount("EUR", 50, 46.2, 144)) == "50 EUR (46 to 144)"
    # Half a percent is no news.
    assert amount_words(Amount("EUR", 1000, 999, 1001)) == "1\u202f000 EUR"
    assert fine_text(0.0123456) == "0.0123"
    assert fine_text(12.3456) == "12.3"
    assert fine_text(0) == "0"
    assert not CantTell("a", "b")


def test_typical_life_by_hand() -> None:
    # Logs 5, 6, 7 of powers of e: mean 6, SD 1, standard error 1/sqrt(3), t(2) = 4.303.
    found = typical([math.exp(5), math.exp(6), math.exp(7)])
    assert isinstance(found, Ranged)
    assert found.value == pytest.approx(math.exp(6))
    assert found.low == pytest.approx(math.exp(6 - 4.3027 / math.sqrt(3)), rel=1e-3)
    assert found.high == pytest.approx(math.exp(6 + 4.3027 / math.sqrt(3)), rel=1e-3)
    assert isinstance(typical([100.0, 200.0]), TooFew)


def test_lives_against_the_month_before_by_hand() -> None:
    # Equal spreads and counts: Welch is Student with 4 degrees of freedom, t = 2.776.
    now = [math.exp(x) for x in (5.0, 6.0, 7.0)]
    before = [math.exp(x) for x in (5.5, 6.5, 7.5)]
    found = compare_lives(now, before)
    assert isinstance(found, Change)
    assert found.ratio == pytest.approx(math.exp(-0.5))
    reach = 2.7764 * math.sqrt(2 / 3)
    assert found.low == pytest.approx(math.exp(-0.5 - reach), rel=1e-3)
    assert found.told == "within-chance"
    assert isinstance(compare_lives(now, before[:2]), TooFew)
    assert isinstance(compare_lives([100.0] * 3, [100.0] * 3), TooFew)


def test_counts_have_the_exact_limits_of_a_poisson_count() -> None:
    none = losses_sentence(0, 1000.0, 0, 1000.0, "May 2031")
    assert fine_text(-math.log(0.025)) in none.text
    for count in (1, 4, 11):
        said = losses_sentence(count, 1000.0, 0, 0.0, "May 2031").text
        low, high = chi2.ppf(0.025, 2 * count) / 2, chi2.ppf(0.975, 2 * count + 2) / 2
        assert f"({fine_text(low)} to {fine_text(high)})" in said


def test_counts_against_the_month_before() -> None:
    assert isinstance(compare_counts(1, 100.0, 1, 100.0), TooFew)
    assert isinstance(compare_counts(5, 100.0, 1, 0.0), TooFew)
    found = compare_counts(10, 1000.0, 1, 1000.0)
    assert isinstance(found, Change)
    assert found.told == "more"
    assert found.ratio == pytest.approx(10)
    # Ten against none: the ratio has no end, its lower limit is still told.
    never = compare_counts(10, 1000.0, 0, 1000.0)
    assert isinstance(never, Change)
    assert math.isinf(never.ratio)
    assert never.told == "more"


def test_costs_against_the_month_before_by_hand() -> None:
    # Four changes of 50 each side: variance of the log ratio 2 * 4 * 2500 / 200^2 = 0.5.
    found = compare_costs([50.0] * 4, 1000.0, [50.0] * 4, 2000.0)
    assert isinstance(found, Change)
    assert found.ratio == pytest.approx(2.0)
    assert found.high == pytest.approx(2.0 * math.exp(1.9600 * math.sqrt(0.5)), rel=1e-4)
    assert found.told == "within-chance"
    assert isinstance(compare_costs([50.0] * 2, 1.0, [50.0] * 4, 1.0), TooFew)
    assert isinstance(compare_costs([50.0] * 4, 0.0, [50.0] * 4, 1.0), TooFew)
    alone = cost_range([50.0] * 4, 100.0)
    assert isinstance(alone, Ranged)
    assert alone.value == pytest.approx(2.0)
    assert alone.low == pytest.approx(2.0 * math.exp(-1.9600 / 2), rel=1e-4)
    assert isinstance(cost_range([50.0], 100.0), TooFew)
    assert isinstance(cost_range([50.0] * 4, 0.0), TooFew)


def test_an_equal_pair_is_found_different_as_seldom_as_said() -> None:
    import numpy as np

    rng = np.random.default_rng(5)
    runs, wrong = 1500, 0
    for _ in range(runs):
        sides = [[50.0] * int(n) for n in rng.poisson(9, 2)]
        found = compare_costs(sides[0], 1000.0, sides[1], 1000.0)
        wrong += isinstance(found, Change) and found.told != "within-chance"
    # 10 % are to be expected; four standard errors are 3 %.
    assert wrong / runs < 0.13


def test_sentences_of_lives() -> None:
    lives = [400.0, 410.0, 420.0]
    said = lives_sentence("Electrodes", "North 1", lives, [440.0, 450.0, 445.0], "May 2031")
    assert said.told == "less"
    assert said.text.startswith("Electrodes on North 1 lasted 410 starts (typical; ")
    assert "8 % fewer than in May 2031" in said.text
    assert said.text.endswith("more than chance makes.")
    chance = lives_sentence(
        "Electrodes", "North 1", [300.0, 410.0, 560.0], [445.0] * 2 + [450.0], "May"
    )
    assert chance.told == "within-chance"
    assert "the difference is within chance" in chance.text
    few = lives_sentence("Nozzles", "B", [412.0], [], "May 2031")
    assert few.told == "too-few"
    assert few.text == (
        "Nozzles on B: 1 came to an end, after 412 starts. "
        "Too few to tell what is typical: 3 are needed."
    )
    half = lives_sentence("Nozzles", "B", lives, [400.0], "May 2031")
    assert half.told == "too-few"
    assert half.text.endswith("Against May 2031: too few to tell, 1 ended then.")
    assert lives_sentence("Nozzles", "B", [], lives, "May").told == "too-few"


def test_sentences_of_losses() -> None:
    said = losses_sentence(12, 5000.0, 2, 5000.0, "May 2031")
    assert said.told == "more"
    assert said.text.startswith("12 losses in the cut in 5\u202f000 starts: 2.40 in 1\u202f000 (")
    assert "500 % more than in May 2031" in said.text
    few = losses_sentence(1, 5000.0, 1, 4000.0, "May 2031")
    assert few.text.endswith("Against May 2031 (1 in 4\u202f000 starts): too few to tell.")
    assert losses_sentence(0, 0.0, 0, 0.0, "May").told == "too-few"
    assert "no starts" in losses_sentence(1, 100.0, 0, 0.0, "May").text


def test_sentences_of_cost() -> None:
    now = MonthCost([50.0] * 4, 1000.0, 600.0, Ranged(0.4, 0.3, 0.5))
    before = MonthCost([50.0] * 4, 1000.0, 600.0)
    said = cost_sentence("EUR", now, before, "May 2031")
    assert said.text.startswith("Consumables cost 200 EUR: 0.200 EUR a start (chance alone gives ")
    assert "20.0 EUR an arc hour, 0.400 EUR a metre of cut (0.300 to 0.500)" in said.text
    assert "A start cost the same as in May 2031" in said.text
    assert said.told == "within-chance"
    missing = cost_sentence("EUR", MonthCost([50.0] * 4, 1000.0, 600.0, unpriced=1), before, "May")
    assert missing.told == "too-few"
    assert "at least 200 EUR (1 part fitted without a known price is not in it)" in missing.text
    assert "while prices are missing" in missing.text
    assert cost_sentence("EUR", MonthCost([5.0], 0.0, 0.0), before, "May").told == "too-few"
    assert "too few changes" in cost_sentence("EUR", MonthCost([5.0], 9.0, 0.0), before, "May").text


def test_small_words() -> None:
    assert use_sentence(1100, 60, 1000, "May").text.endswith("10 % more starts than in May.")
    assert "no starts are on record" in use_sentence(10, 1, 0, "May").text
    assert use_sentence(1000, 60, 1000, "May").text.endswith("as many starts as in May.")
    assert plural(1, "loss", "losses") == "1 loss"
    assert plural(1200, "part") == "1\u202f200 parts"
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed(list("abcdefgh")) == "a, b, c, d, e, f and 2 more"
    assert step_words(math.inf, "more", "fewer") == "any number of times more"
    found = change_words(Change(math.inf, 1.5, math.inf), "May", "more", "fewer")
    assert "in May there was none" in found
    assert "none at all" in change_words(Change(0.0, 0.0, 1.2), "May", "more", "fewer")
