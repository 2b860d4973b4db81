"""The pages of causes over HTTP: touches, bad forms, two tablets, roles, closing, learning."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from fastapi.testclient import TestClient

from kit import Floor
from pitwise.services import case_closing, cases, ranges
from pitwise.services.case_view import CaseView

HX = {"HX-Request": "true"}
Client = Callable[[str | None], TestClient]
BLUE = (("electrode", "heat-blued"), ("nozzle", "heat-blued"))


def opened(floor: Floor, torch: int | None = None) -> int:
    return cases.open_case(floor.shop, floor.tech, torch or floor.torch, key=floor.key())


def view_of(floor: Floor, number: int) -> CaseView:
    return cases.read_case(floor.shop, floor.tech, number)


def touched(floor: Floor, number: int, **more: str) -> dict[str, str]:
    return {"key": floor.key(), "revision": str(view_of(floor, number).revision), **more}


def state_of(floor: Floor, number: int, symptom: str) -> str:
    found = [e.state for e in view_of(floor, number).evidence if e.symptom == symptom]
    return found[0] if found else "nothing"


def close_it(floor: Floor, number: int, certainty: str = "verified") -> None:
    view = view_of(floor, number)
    remedy = next(r for r in view.remedies if r.cause == "cool_low")
    case_closing.close_case(
        floor.shop,
        floor.tech,
        number,
        key=floor.key(),
        causes=["cool_low"],
        certainty=certainty,
        remedies=[remedy.id],
        done_by="Ann Ohm, electrician",
    )


def test_the_whole_job_over_http(lite: Floor, client_of: Client) -> None:
    number = lite.inspect("0.40 mm", seen=BLUE, starts="300", minutes="120")
    ranges.set_range(
        lite.shop, lite.lead, 1, "coolant_flow", low="3", unit="l/min", reason="manual, page 4"
    )
    tech = client_of("tom")
    record = tech.get(f"/records/{number}").text
    assert "Look for the cause" in record
    assert record.count('class="ranked"') == 3
    assert "style=" not in record
    answer = tech.post(f"/torches/{lite.torch}/causes", data={"key": lite.key()}, headers=HX)
    assert answer.status_code == 204
    case = answer.headers["hx-redirect"]
    # The same from another tablet joins it.
    again = tech.post(f"/torches/{lite.torch}/causes", data={"key": lite.key()})
    assert again.headers["location"] == case
    page = tech.get(case).text
    assert "Body blued by heat well above the face" in page
    assert "style=" not in page
    assert 'aria-live="polite"' in page
    assert "case 1 is open" in tech.get(f"/records/{number}").text
    assert "Case 1 is open" in tech.get(f"/torches/{lite.torch}").text
    reading = {"reading": "coolant_flow", "value": "1,2", "unit": "l/min"}
    done = tech.post(f"{case}/reading", data=touched(lite, 1, **reading), headers=HX)
    assert done.status_code == 200
    assert "Reading taken. Likeliest now: Low coolant flow" in done.text
    assert done.headers["pitwise-revision"] == "1"
    assert state_of(lite, 1, "W_flow") == "seen"
    remedy = next(r for r in view_of(lite, 1).remedies if r.cause == "cool_low")
    prefilled = tech.get(f"{case}?remedy={remedy.id}").text
    assert f'value="{remedy.id}" checked' in prefilled
    closed = tech.post(
        f"{case}/close",
        data=touched(
            lite, 1, causes="cool_low", certainty="verified", remedies=remedy.id, note="<b>&"
        ),
        headers=HX,
    )
    assert closed.status_code == 204
    page = tech.get(closed.headers["hx-redirect"]).text
    assert "Verified: seen or measured to be so" in page
    assert "Too early to tell" in page
    assert "&lt;b&gt;&amp;" in page
    assert "<svg" in page
    sheet = tech.get(f"{case}/sheet.pdf")
    assert sheet.headers["content-type"] == "application/pdf"
    assert sheet.content == tech.get(f"{case}/sheet.pdf").content
    assert "Low coolant flow" in tech.get("/causes").text
    assert "1 verified case" in tech.get("/causes/learnt").text


def test_nothing_seen_does_not_nag(lite: Floor, client_of: Client) -> None:
    number = lite.inspect("0.05 mm", starts="10", minutes="4")
    page = client_of("tom").get(f"/records/{number}").text
    assert "nothing was found that speaks for one" in page
    assert "Look for the cause" not in page


def test_only_the_newest_record_has_the_step(lite: Floor, client_of: Client) -> None:
    first = lite.inspect("0.40 mm", seen=BLUE, starts="300", minutes="120")
    opened(lite)
    second = lite.inspect("0.40 mm", seen=BLUE, starts="500", minutes="200")
    tech = client_of("tom")
    old, new = tech.get(f"/records/{first}").text, tech.get(f"/records/{second}").text
    assert "Look for the cause" not in old
    assert 'href="/causes/1"' in old
    assert "Look for the cause" in new


def test_one_touch_stays_at_its_check_until_nothing_is_left(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    check = next(
        c
        for c in view_of(lite, number).checks
        if c.who == "technician" and not c.bench and len(c.findings) > 2
    )
    first, *rest = check.findings
    state = "much" if first.kind == "graded" else "seen"
    answer = tech.post(
        f"/causes/{number}/touch",
        data=touched(lite, number, check=check.id, touch=f"{first.symptom}={state}"),
        headers=HX,
    )
    assert f'data-step="check-{check.id}"' in answer.text
    assert answer.headers["hx-push-url"] == f"/causes/{number}?check={check.id}"
    assert 'aria-pressed="true"' in answer.text
    assert "None of the rest" in answer.text
    assert state_of(lite, number, first.symptom) == state
    answer = tech.post(
        f"/causes/{number}/touch",
        data=touched(
            lite,
            number,
            check=check.id,
            touch="rest",
            shown=" ".join(f.symptom for f in rest),
        ),
        headers=HX,
    )
    assert answer.headers["hx-push-url"] == f"/causes/{number}"
    assert state_of(lite, number, first.symptom) == state
    assert {state_of(lite, number, f.symptom) for f in rest} == {"absent"}
    # The newest touch is taken back whole.
    assert "Take it back" in answer.text
    tech.post(f"/causes/{number}/undo", data=touched(lite, number), headers=HX)
    assert {state_of(lite, number, f.symptom) for f in rest} == {"nothing"}
    assert state_of(lite, number, first.symptom) == state


def test_a_touch_without_scripts_comes_back_to_its_place(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    answer = tech.post(
        f"/causes/{number}/touch", data={"touch": "Q_bevp=seen", "at": "dark-cut", "revision": "0"}
    )
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/causes/{number}#dark-cut"
    assert state_of(lite, number, "Q_bevp") == "seen"
    answer = tech.post(f"/causes/{number}/touch", data={"touch": "Q_bevp=absent", "at": '"><b>'})
    assert answer.headers["location"] == f"/causes/{number}"


def test_the_same_touch_five_times_is_one(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    data = touched(lite, number, touch="Q_bevp=seen")
    for _ in range(5):
        assert tech.post(f"/causes/{number}/touch", data=data, headers=HX).status_code == 200
    assert view_of(lite, number).revision == 1


def test_two_tablets_are_told_and_shown_what_changed(lite: Floor, client_of: Client) -> None:
    number = opened(lite)
    one, two = client_of("tom"), client_of("lin")
    stale = view_of(lite, number).revision
    data = {"revision": str(stale)}
    one.post(f"/causes/{number}/touch", data={**data, "key": lite.key(), "touch": "Q_bevp=seen"})
    # About something else: taken.
    other = two.post(
        f"/causes/{number}/touch",
        data={**data, "key": lite.key(), "touch": "W_flow=absent"},
        headers=HX,
    )
    assert other.status_code == 200
    # About the same: refused, with the case as it stands now.
    same = two.post(
        f"/causes/{number}/touch",
        data={**data, "key": lite.key(), "touch": "Q_bevp=absent"},
        headers=HX,
    )
    assert same.status_code == 409
    assert "Another tablet told of the same since" in same.text
    assert 'name="revision" value="2"' in same.text
    assert state_of(lite, number, "Q_bevp") == "seen"
    remedy = next(r for r in view_of(lite, number).remedies if r.cause == "cool_low")
    late = two.post(
        f"/causes/{number}/close",
        data={
            **data,
            "key": lite.key(),
            "causes": "cool_low",
            "certainty": "went-away",
            "remedies": remedy.id,
            "note": "kept as typed",
        },
        headers=HX,
    )
    assert late.status_code == 409
    assert "kept as typed" in late.text
    assert 'value="cool_low" checked' in late.text
    assert re.search(r'value="went-away" +checked', late.text)
    assert view_of(lite, number).state == "open"


@pytest.mark.parametrize(
    ("path", "data", "status", "says"),
    [
        ("touch", {"touch": ""}, 422, "ouch one of the answers"),
        ("touch", {"touch": "rest"}, 422, "ouch one of the answers"),
        ("touch", {"touch": "Q_bevq=seen"}, 404, "id you mean"),
        ("touch", {"touch": "Q_bevp=maybe"}, 422, "does not fit"),
        ("touch", {"touch": "Q_bevp=seen=seen"}, 422, "does not fit"),
        ("touch", {"touch": "漢字=seen"}, 404, "漢字"),
        ("touch", {"touch": "x" * 5000 + "=seen"}, 404, "xxx"),
        ("touch", {"touch": "Q_bevp=seen", "revision": "-1"}, 422, "Revision"),
        ("touch", {"touch": "Q_bevp=seen", "revision": "9" * 30}, 422, "Revision"),
        ("reading", {"reading": "coolant_flow", "value": "", "unit": "l/min"}, 422, "empty"),
        ("reading", {"reading": "coolant_flow", "value": "abc", "unit": "l/min"}, 422, "abc"),
        ("reading", {"reading": "coolant_flow", "value": "nan", "unit": "l/min"}, 422, "nan"),
        ("reading", {"reading": "coolant_flow", "value": "3", "unit": "bar"}, 422, "bar"),
        ("reading", {"reading": "coolant_flow", "value": "9e9", "unit": "l/min"}, 422, ""),
        ("reading", {"reading": "coolant_flo", "value": "3", "unit": "l/min"}, 404, "coolant_flow"),
        ("answer", {"conflict": "none-such", "answer": "yes"}, 404, "none-such"),
        ("undo", {}, 404, "nothing"),
        ("undo", {"fact_id": "999"}, 404, ""),
        ("undo", {"fact_id": "x"}, 422, "Fact id"),
        ("tried", {"remedy": "none-such"}, 404, "none-such"),
        ("context", {"name": "none-such", "value": "x"}, 404, "none-such"),
        ("texts", {"complaint": "x" * 2000}, 422, "omplaint"),
        ("close", {}, 422, "ertainty"),
        ("close", {"certainty": "verified"}, 422, "none is named"),
        ("close", {"certainty": "surely", "causes": "age"}, 422, "ertainty"),
        ("close", {"certainty": "verified", "causes": "agee"}, 404, "id you mean"),
        ("close", {"certainty": "verified", "causes": "age"}, 422, "emedy"),
        ("discard", {"reason": ""}, 422, "eason"),
        ("reopen", {"reason": "because of it"}, 409, "open"),
        ("came-back", {"note": "again"}, 409, "open"),
    ],
)
def test_bad_forms_change_nothing(
    lite: Floor, tech: TestClient, path: str, data: dict[str, str], status: int, says: str
) -> None:
    number = opened(lite)
    answer = tech.post(f"/causes/{number}/{path}", data={"key": lite.key(), **data}, headers=HX)
    assert answer.status_code == status
    assert says in answer.text
    assert "problem" in answer.text
    view = view_of(lite, number)
    assert view.revision == 0
    assert view.state == "open"


def test_cases_that_are_not_there(tech: TestClient) -> None:
    for path in ("/causes/77", "/causes/77/sheet.pdf", "/shop/station/77/ranges"):
        assert tech.get(path).status_code == 404, path
    assert tech.get("/causes/0").status_code == 422
    assert tech.get(f"/causes/{2**31}").status_code == 422
    assert tech.post("/causes/77/touch", data={"touch": "Q_bevp=seen"}).status_code == 404
    assert tech.post("/torches/77/causes", data={"key": "k" * 20}).status_code == 404


def test_odd_questions_are_put_up_with(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    for tail in ("?check=none-such", "?check=%3Cb%3E", "?remedy=x", "?by=%F0%9F%94%A5"):
        page = tech.get(f"/causes/{number}{tail}")
        assert page.status_code == 200
        assert "<b>" + ">" not in page.text
    for tail in ("?torch=", "?torch=abc", "?torch=99999", "?state=odd", "?torch=1&state=open"):
        assert tech.get(f"/causes{tail}").status_code == 200


def test_a_change_from_another_site_is_refused(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    evil = {"Origin": "http://evil.example"}
    for path in ("touch", "reading", "answer", "undo", "close", "discard", "texts", "tried"):
        answer = tech.post(f"/causes/{number}/{path}", data={"touch": "Q_bevp=seen"}, headers=evil)
        assert answer.status_code == 403, path
    assert view_of(lite, number).revision == 0


def test_an_electricians_check_asks_who_does_it(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    check = next(c for c in view_of(lite, number).checks if c.who == "electrician")
    finding = check.findings[0]
    page = tech.get(f"/causes/{number}?check={check.id}").text
    assert "qualified electrician only" in page
    assert "Who does it: name and qualification" in page
    assert f'id="t-{finding.symptom}-' not in page
    state = "seen" if finding.kind != "graded" else "much"
    data = touched(lite, number, check=check.id, touch=f"{finding.symptom}={state}")
    refused = tech.post(f"/causes/{number}/touch", data=data, headers=HX)
    assert refused.status_code == 422
    assert "qualified electrician" in refused.text
    by = "Ann Ohm, electrician"
    page = tech.get(f"/causes/{number}", params={"check": check.id, "by": by}).text
    assert f'name="by" value="{by}"' in page
    tech.post(f"/causes/{number}/touch", data={**data, "key": lite.key(), "by": by}, headers=HX)
    assert by in tech.get(f"/causes/{number}").text


def test_contradictions_come_first_and_are_answered(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    for symptom in ("Q_bevp", "Q_bevn"):
        tech.post(f"/causes/{number}/touch", data=touched(lite, number, touch=f"{symptom}=seen"))
    ask = view_of(lite, number).asks[0]
    page = tech.get(f"/causes/{number}?check=K_pilot").text
    assert 'data-step="answer-' in page
    assert "Looked again: all of it stands" in page
    answer = tech.post(
        f"/causes/{number}/answer",
        data=touched(lite, number, conflict=ask.id, answer="two parts were mixed <&>"),
        headers=HX,
    )
    assert 'data-step="answer-' not in answer.text
    assert "two parts were mixed &lt;&amp;&gt;" in answer.text
    # Or one of the two was not so sure after all.
    tech.post(f"/causes/{number}/undo", data=touched(lite, number))
    answer = tech.post(
        f"/causes/{number}/touch", data=touched(lite, number, touch="Q_bevn=none"), headers=HX
    )
    assert 'data-step="answer-' not in answer.text
    assert state_of(lite, number, "Q_bevn") in ("none", "nothing")


def test_a_remedy_in_vain_goes_on_to_the_next(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    remedy = view_of(lite, number).remedies[0]
    answer = tech.post(
        f"/causes/{number}/tried",
        data=touched(lite, number, remedy=remedy.id, by="Ann Ohm, electrician"),
        headers=HX,
    )
    assert answer.status_code == 200
    assert "Remedies tried that did not help" in answer.text
    assert remedy.text in answer.text


def test_complaint_context_and_note_are_kept(lite: Floor, tech: TestClient) -> None:
    number = opened(lite)
    tech.post(f"/causes/{number}/texts", data={"complaint": "Bläst ab 漢", "note": "n" * 900})
    field = view_of(lite, number).context_fields[0]
    tech.post(
        f"/causes/{number}/context", data=touched(lite, number, name=field.key, value="bottled")
    )
    view = view_of(lite, number)
    assert view.complaint == "Bläst ab 漢"
    assert view.context[field.key] == "bottled"
    page = tech.get(f"/causes/{number}").text
    assert "Bläst ab 漢" in page
    assert "“Bläst ab 漢”" in tech.get("/causes").text


def test_closed_reopened_discarded_come_back(lite: Floor, client_of: Client) -> None:
    tech = client_of("tom")
    number = opened(lite)
    close_it(lite, number, "went-away")
    page = tech.get(f"/causes/{number}").text
    assert "Only went away after the remedy: not verified" in page
    assert 'class="touch' not in page
    assert f'action="/causes/{number}/close"' not in page
    back = tech.post(f"/causes/{number}/came-back", data={"note": "blue again"})
    assert back.status_code == 303
    page = tech.get("/causes").text
    assert "Cures that did not hold" in page
    assert "blue again" in page
    assert "blue again" in tech.get("/causes?state=not-held").text
    assert "No such case" in tech.get("/causes?state=open").text
    tech.post(f"/causes/{number}/reopen", data={"reason": "looked at again"})
    assert view_of(lite, number).state == "open"
    tech.post(f"/causes/{number}/discard", data={"reason": "opened by mistake"})
    page = tech.get(f"/causes/{number}").text
    assert "This case was given up" in page
    assert "Open this case again" in page
    assert tech.get(f"/causes/{number}/sheet.pdf").status_code == 200
    touch = tech.post(f"/causes/{number}/touch", data={"touch": "Q_bevp=seen"}, headers=HX)
    assert touch.status_code == 409


def test_empty_pages_say_what_to_do(tech: TestClient, lead: TestClient) -> None:
    page = tech.get("/causes").text
    assert "No case yet" in page
    assert "Look for the cause on Torch A" in page
    page = tech.get("/causes/learnt").text
    assert "Nothing yet" in page
    assert "A lead can freeze" in page
    assert "Freeze them" not in page
    assert "Freeze them" in lead.get("/causes/learnt").text


def test_a_lead_freezes_lets_go_and_begins_anew(lite: Floor, client_of: Client) -> None:
    lead, tech = client_of("lin"), client_of("tom")
    close_it(lite, opened(lite))
    for path in ("freeze", "unfreeze", "reset"):
        data = {"reason": "not mine to do", "sure": "yes"}
        assert tech.post(f"/causes/learnt/{path}", data=data).status_code == 403
    page = lead.get("/causes/learnt").text
    newest = re.search(r'name="newest" value="(\d+)"', page)
    assert newest
    form = {"reason": "table was moved", "newest": newest[1]}
    assert lead.post("/causes/learnt/freeze", data={"newest": newest[1]}).status_code == 422
    assert lead.post("/causes/learnt/freeze", data=form).status_code == 303
    assert "Frozen" in lead.get("/causes/learnt").text
    # Another tablet's page from before is told so.
    stale = lead.post("/causes/learnt/reset", data={**form, "sure": "yes"})
    assert stale.status_code == 409
    newest = re.search(r'name="newest" value="(\d+)"', lead.get("/causes/learnt").text)
    assert newest
    form["newest"] = newest[1]
    asked = lead.post("/causes/learnt/reset", data=form)
    assert asked.status_code == 200
    assert "Begin anew from the trade sheet?" in asked.text
    assert "table was moved" in asked.text
    assert "1 verified case" in lead.get("/causes/learnt").text
    lead.post("/causes/learnt/unfreeze", data=form)
    lead.post("/causes/learnt/reset", data={"reason": "new table", "sure": "yes"})
    page = lead.get("/causes/learnt").text
    assert "Nothing yet" in page
    assert "Begun anew" in page
    assert "new table" in page


def test_ranges_are_set_by_a_lead(lite: Floor, client_of: Client) -> None:
    lead, tech = client_of("lin"), client_of("tom")
    path = "/shop/station/1/ranges"
    assert "A lead sets these" in tech.get(path).text
    form = {
        "reading": "coolant_flow",
        "low": "3",
        "high": "",
        "unit": "l/min",
        "reason": "manual, page 4",
        "based_on": "0",
    }
    assert tech.post(path, data=form).status_code == 403
    for bad in (
        {"unit": "bar"},
        {"low": "abc"},
        {"low": "", "high": ""},
        {"reason": ""},
        {"reading": "coolant_flo"},
        {"based_on": "7"},
        {"low": "1e400"},
    ):
        answer = lead.post(path, data={**form, **bad}, headers=HX)
        assert answer.status_code in (404, 409, 422), bad
    assert lead.post(path, data=form).status_code == 303
    page = lead.get(path).text
    assert "3 l/min or more" in page
    assert "manual, page 4" in page
    number = opened(lite)
    assert "Usual: 3 l/min or more" in tech.get(f"/causes/{number}").text


def test_what_is_normal_by_place(lite: Floor, tech: TestClient) -> None:
    assert "/causes/normal?where=electrode" in tech.get(f"/causes/{opened(lite)}").text
    page = tech.get("/causes/normal").text
    assert "None of these is a finding" in page
    assert "Electrode" in page
    one = tech.get("/causes/normal?where=electrode").text
    assert one.count("<h2") == 1
    assert tech.get("/causes/normal?where=nowhere").text.count("<h2") > 3
