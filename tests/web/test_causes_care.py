"""Pages of causes: who may do what, what to mind, screens that are behind, verdict first."""

from __future__ import annotations

import math
import re

import pytest
from fastapi.testclient import TestClient
from test_access import permission_of, routes
from test_causes_pages import BLUE, HX, Client, close_it, opened, state_of, touched, view_of

from kit import Floor
from pitwise.services import (
    case_closing,
    case_evidence,
    case_recording,
    cases,
    learning,
    ranges,
)
from pitwise.services.case_book import BookFact, BookTells
from pitwise.web.app import create_app

ANN = "Ann Ohm, electrician"


def section(page: str, ident: str) -> str:
    """Return the text of a page from an id to the end of the section it is in."""
    return page.split(f'id="{ident}"', 1)[1].split("</section>", 1)[0]


def test_none_of_the_rest_is_what_the_screen_showed(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    check = next(
        c
        for c in view_of(lite, number).checks
        if c.who == "technician" and not c.bench and len(c.findings) > 2
    )
    seen, *rest = [f.symptom for f in check.findings]
    state = "much" if check.findings[0].kind == "graded" else "seen"
    told = {"check": check.id, "touch": f"{seen}={state}"}
    page = tech.post(f"/causes/{number}/touch", data=touched(lite, number, **told), headers=HX).text
    shown = re.search(r'name="shown" value="([^"]*)"', page)
    assert shown
    assert shown[1].split() == rest
    revision = view_of(lite, number).revision
    # Another tablet takes back what this one still shows as seen.
    case_recording.undo(lite.shop, lite.tech, number, key=lite.key())
    tech.post(
        f"/causes/{number}/touch",
        data={
            "key": lite.key(),
            "revision": str(revision),
            "check": check.id,
            "touch": "rest",
            "shown": shown[1],
        },
        headers=HX,
    )
    assert state_of(lite, number, seen) == "nothing"


def test_a_text_another_tablet_wrote_is_not_written_over(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    page = tech.get(f"/causes/{number}").text
    assert 'name="shown_complaint" value=""' in page
    cases.set_texts(lite.shop, lite.lead, number, complaint="soot, says the lead")
    data = {"complaint": "blows off", "note": "n", "shown_complaint": "", "shown_note": ""}
    late = tech.post(f"/causes/{number}/texts", data=data, headers=HX)
    assert late.status_code == 409
    assert "Another tablet changed it since. Read what stands there now" in late.text
    assert ">blows off</textarea>" in late.text
    assert "Kept meanwhile: “soot, says the lead”" in late.text
    assert 'name="shown_complaint" value="soot, says the lead"' in late.text
    assert view_of(lite, number).complaint == "soot, says the lead"
    # One's own is untouched: only the note is kept.
    data |= {"complaint": "", "note": "hose kinked"}
    assert tech.post(f"/causes/{number}/texts", data=data, headers=HX).status_code == 200
    view = view_of(lite, number)
    assert (view.complaint, view.note) == ("soot, says the lead", "hose kinked")


def test_what_only_some_may_find_out_asks_for_the_name(lite: Floor, client_of: Client) -> None:
    tech = client_of("tom")
    number = opened(lite)
    page = tech.get(f"/causes/{number}").text
    for symptom, who in (
        ("P_pilotR", "for a qualified electrician only"),
        ("P_ramp", "for a lead"),
    ):
        form = next(f for f in page.split("<form ") if f'id="d-{symptom}-seen"' in f)
        assert 'name="by" required' in form
        assert who in form
        assert 'class="hazard"' in form
        data = touched(lite, number, touch=f"{symptom}=seen")
        assert tech.post(f"/causes/{number}/touch", data=data, headers=HX).status_code == 422
        data = touched(lite, number, touch=f"{symptom}=seen", by=ANN)
        assert tech.post(f"/causes/{number}/touch", data=data, headers=HX).status_code == 200
        assert state_of(lite, number, symptom) == "seen"
    # To a lead the ramps are no question of name.
    case_recording.undo(lite.shop, lite.tech, number, key=lite.key())
    page = client_of("lin").get(f"/causes/{number}").text
    form = next(f for f in page.split("<form ") if 'id="d-P_ramp-seen"' in f)
    assert 'name="by" required' not in form


def test_a_reading_for_an_electrician_asks_for_the_name(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    field = next(r for r in view_of(lite, number).readings if r.who == "electrician")
    page = tech.get(f"/causes/{number}").text
    form = next(f for f in page.split("<form ") if f'id="r-{field.id}"' in f)
    assert 'name="by" required' in form
    assert 'class="hazard"' in form
    data = touched(lite, number, reading=field.id, value="1", unit=field.unit)
    assert tech.post(f"/causes/{number}/reading", data=data, headers=HX).status_code == 422
    data |= {"key": lite.key(), "by": ANN}
    assert tech.post(f"/causes/{number}/reading", data=data, headers=HX).status_code == 200


def test_closing_says_where_only_an_electrician_works(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    page = tech.get(f"/causes/{number}").text
    own = [r for r in view_of(lite, number).remedies if r.cause == "pilot"]
    assert own
    assert {r.who for r in own} == {"electrician"}
    tick = page.split('name="causes" value="pilot"', 1)[1].split("</div>", 1)[0]
    assert tick.startswith(" data-named")
    assert "all work against it is for a qualified electrician" in tick
    assert f'value="{own[0].id}" data-named' in tick


def test_work_is_never_asked_for_without_its_caution(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    assert 'class="lower-caution' in tech.get(f"/causes/{number}").text
    for symptom in ("Q_bevp", "Q_bevn"):
        data = touched(lite, number, touch=f"{symptom}=seen")
        tech.post(f"/causes/{number}/touch", data=data)
    ask = view_of(lite, number).asks[0]
    assert ask.caution
    step = section(tech.get(f"/causes/{number}").text, "step")
    assert ask.caution.replace("'", "&#39;") in step
    assert 'class="hazard"' in step


def test_a_check_in_hand_goes_on_below_a_question(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    for symptom in ("Q_bevp", "Q_bevn"):
        tech.post(f"/causes/{number}/touch", data=touched(lite, number, touch=f"{symptom}=seen"))
    page = tech.get(f"/causes/{number}?check=K_leak").text
    step = section(page, "step")
    assert 'data-step="answer-' in page
    assert "The check in hand" in step
    finding = next(c for c in view_of(lite, number).checks if c.id == "K_leak").findings[0]
    assert f'id="t-{finding.symptom}-absent"' in step
    assert page.count('id="step-title"') == 1
    data = touched(lite, number, check="K_leak", touch=f"{finding.symptom}=absent")
    tech.post(f"/causes/{number}/touch", data=data, headers=HX)
    assert state_of(lite, number, finding.symptom) == "absent"
    # The answer leaves it in hand.
    ask = view_of(lite, number).asks[0]
    data = touched(lite, number, check="K_leak", conflict=ask.id, answer="two parts were mixed")
    answer = tech.post(f"/causes/{number}/answer", data=data, headers=HX)
    assert 'data-step="check-K_leak"' in answer.text


def test_the_verdict_comes_before_the_figure(lite: Floor, tech: TestClient) -> None:
    ranges.set_range(
        lite.shop, lite.lead, 1, "coolant_flow", low="3", unit="l/min", reason="manual, page 4"
    )
    number = opened(lite)
    for value, verdict in (("6", "not so: 6 l/min"), ("1", "so: 1 l/min")):
        data = touched(lite, number, reading="coolant_flow", value=value, unit="l/min")
        page = tech.post(f"/causes/{number}/reading", data=data, headers=HX).text
        row = page.split('id="e-W_flow"', 1)[1].split("</tr>", 1)[0]
        assert f"<b>{verdict}" in row
        last = page.split('class="last-touch', 1)[1].split("</form>", 1)[0]
        assert verdict in last


def test_what_hardly_moves_a_cause_is_left_out(lite: Floor, tech: TestClient) -> None:
    lite.inspect("0.9 mm", seen=BLUE, starts="300", minutes="120")
    number = opened(lite)
    for own in lite.shop.base.checks:
        if own.who == "technician" and not own.bench:
            case_recording.record_check(
                lite.shop, lite.tech, number, own.id, key=lite.key(), clear=True
            )
    view = view_of(lite, number)
    told = [t for c in view.diagnosis.causes[:5] for t in (*c.for_, *c.against)]
    assert any(abs(t.shift) < 0.09 for t in told)
    page = tech.get(f"/causes/{number}").text
    assert "hardly moves it" not in page
    counts = re.findall(r"<summary>Why <small>(\d+) for, (\d+) against", page)
    for cause, (for_, against) in zip(view.diagnosis.causes, counts, strict=False):
        assert int(for_) == sum(abs(t.shift) >= 0.0953 for t in cause.for_)
        assert int(against) == sum(abs(t.shift) >= 0.0953 for t in cause.against)
        why = page.split(f'id="why-{cause.id}"', 1)[1].split('</li>\n<li class="ranked"', 1)[0]
        for side in why.split('class="told-head"')[1:]:
            assert side.split("</ul>")[0].count("<li>") <= 5
    # The wear forecast and lives are no reading somebody took.
    assert "<b>by a reading</b>" not in page


def test_too_much_to_rank_is_said_as_such(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    for own in lite.shop.base.checks:
        case_recording.record_check(
            lite.shop,
            lite.tech,
            number,
            own.id,
            key=lite.key(),
            results=dict.fromkeys(own.reveals, "seen"),
            done_by=ANN,
        )
    page = tech.get(f"/causes/{number}").text
    assert "Too much at once to rank" in page
    assert page.count("No ranking:") == 1


def test_giving_a_case_up_needs_the_right_to_close(lite: Floor) -> None:
    found = [r for r in routes(create_app(lite.shop)) if r.path.endswith("/discard")]
    assert "close-cause" in [permission_of(r) for r in found if "causes" in r.path]


def test_cases_given_up_have_a_place_of_their_own(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    case_closing.discard_case(lite.shop, lite.tech, number, reason="opened by mistake")
    page = tech.get("/causes").text
    assert "<h2>Given up</h2>" in page
    assert "<h2>Closed</h2>" not in page
    assert f'href="/causes/{number}"' in tech.get("/causes?state=discarded").text
    assert "No such case" in tech.get("/causes?state=closed").text
    page = tech.get(f"/causes/{number}").text
    assert "As it stood when it was given up" in page
    assert "As it stood when it was closed" not in page


def test_a_check_that_reads_offers_its_readings_without_a_range(
    lite: Floor, client_of: Client
) -> None:
    number = opened(lite)
    view = view_of(lite, number)
    check = next(
        c
        for c in view.checks
        if c.who == "technician" and any(r.low is None and r.high is None for r in c.readings)
    )
    bare = next(r for r in check.readings if r.low is None and r.high is None)
    step = section(client_of("tom").get(f"/causes/{number}?check={check.id}").text, "step")
    assert f'id="s-{bare.id}"' in step
    assert "a lead sets it" in step
    step = section(client_of("lin").get(f"/causes/{number}?check={check.id}").text, "step")
    assert f'/ranges#{bare.id}">set it' in step


def test_readings_with_a_range_come_first(lite: Floor, lead: TestClient) -> None:
    ranges.set_range(
        lite.shop, lite.lead, 1, "coolant_flow", low="3", unit="l/min", reason="manual, page 4"
    )
    page = lead.get("/shop/station/1/ranges").text
    with_range, without = page.split('id="bare"')
    assert 'id="coolant_flow"' in with_range
    assert "No range" not in page
    assert without.count("<summary>Set it") == 0
    assert "(empty: no lower end)" not in page
    assert 'name="low"' in without


def test_long_lists_fold_and_the_closing_is_one_touch_away(lite: Floor, tech: TestClient) -> None:
    page = tech.get(f"/causes/{opened(lite)}").text
    assert 'href="#close-head"' in section(page, "step")
    for fold in ("fold-evidence", "fold-context", "fold-readings"):
        assert f'<details class="fold" id="{fold}" open>' in page


def test_a_closed_case_is_amended_without_being_opened(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    close_it(lite, number)
    before = view_of(lite, number)
    assert before.closing
    remedy = before.closing.remedies[0].id
    page = tech.get(f"/causes/{number}").text
    form = next(f for f in page.split("<form ") if f"/causes/{number}/amend" in f)
    assert 'value="cool_low" checked' in form
    assert f'value="{remedy}" checked' in form
    data = {
        "causes": "cool_low",
        "certainty": "went-away",
        "remedies": remedy,
        "note": "hose was kinked",
        "done_by": ANN,
    }
    data = touched(lite, number, **data)
    assert tech.post(f"/causes/{number}/amend", data=data, headers=HX).status_code == 422
    data["reason"] = "typo in the note"
    stale = tech.post(f"/causes/{number}/amend", data={**data, "revision": "0"}, headers=HX)
    assert stale.status_code == 409
    assert 'value="typo in the note"' in stale.text
    assert ">hose was kinked</textarea>" in stale.text
    lite.clock.forward(hours=1)
    done = tech.post(f"/causes/{number}/amend", data=data, headers=HX)
    assert done.status_code == 204
    page = tech.get(done.headers["hx-redirect"]).text
    assert "Amended by Tom Reed" in page
    assert "typo in the note" in page
    assert "Only went away after the remedy" in page
    after = view_of(lite, number)
    assert after.state == "closed"
    assert after.closing
    assert after.closing.at == before.closing.at


def test_a_case_opened_again_has_its_form_as_it_was_closed(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    close_it(lite, number)
    page = tech.get(f"/causes/{number}").text
    assert 'name="go_on" value="yes"' in page
    tech.post(f"/causes/{number}/reopen", data={"reason": "looked at again"})
    page = tech.get(f"/causes/{number}").text
    assert 'value="cool_low" checked' in page
    assert 'value="verified" required checked' in page
    assert f'name="done_by" maxlength="120" value="{ANN}"' in page
    close_it(lite, number)
    tech.post(f"/causes/{number}/reopen", data={"reason": "it goes on", "go_on": "yes"})
    close_it(lite, number)
    closing = view_of(lite, number).closing
    assert closing
    assert closing.cured_at == closing.at


@pytest.mark.parametrize(("odds", "shown"), [(2.0, False), (9.0, True)])
def test_a_forecast_that_only_leans_does_not_nag(
    lite: Floor, client_of: Client, monkeypatch: pytest.MonkeyPatch, odds: float, shown: bool
) -> None:
    number = lite.inspect()
    told = BookFact(
        "E_deep", math.log(odds), "0.9 mm where 0.6 mm was forecast", "forecast", number, 1
    )
    monkeypatch.setattr(case_evidence, "book_tells", lambda *_: BookTells((told,), {}))
    tech = client_of("tom")
    assert ("Look for the cause" in tech.get(f"/records/{number}").text) is shown
    page = tech.get(f"/causes/{opened(lite)}").text
    row = page.split('id="e-E_deep"', 1)[1].split("</tr>", 1)[0]
    assert f"<b>{'so' if shown else 'leans to yes'}: 0.9 mm where" in row
    assert "by the wear forecast" in page
    assert "by a reading" not in page


def test_a_freeze_says_which_cases_were_opened_again_since(lite: Floor, client_of: Client) -> None:
    number = opened(lite)
    close_it(lite, number)
    learning.freeze_learning(lite.shop, lite.lead, reason="table was moved")
    lead = client_of("lin")
    assert "reopened or amended since" not in lead.get("/causes/learnt").text
    case_closing.reopen_case(lite.shop, lite.lead, number, reason="it was another cause")
    page = lead.get("/causes/learnt").text
    assert "1 of those in force was reopened or amended since" in page
