"""Networks and evidence as text: what is read, and every refusal with its place and mend."""

from __future__ import annotations

import json

import pytest

from pitwise.causes import network as module
from pitwise.causes.evidence import Evidence, Grade, Soft, compile_evidence
from pitwise.causes.network import Network, NetworkError, parse_evidence, parse_network

GOOD = {"priors": [0.1, 0.2], "leak": [0.01, 0.02, 0.03], "links": [[0, 0, 0.5], [1, 2, 1]]}


def test_read() -> None:
    network = parse_network(json.dumps(GOOD))
    assert network.link.tolist() == [[0.5, 0, 0], [0, 0, 1.0]]
    evidence = parse_evidence(network, '{"seen": [0, "finding 2"], "absent": [1]}')
    assert evidence == Evidence(frozenset([0, 2]), frozenset([1]))
    assert parse_evidence(network, "{}") == Evidence()


def test_names() -> None:
    text = json.dumps(GOOD | {"causes": ["gas", "water"], "findings": ["pit", "bore", "soot"]})
    network = parse_network(text.replace("[1, 2, 1]", '["water", "soot", 1]'))
    assert network.link[1, 2] == 1
    assert network.finding("bore") == 1
    with pytest.raises(NetworkError, match="did you mean 'bore'"):
        network.finding("borre")


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("{", "network, line 1", "not JSON"),
        ("", "network, line 1", "not JSON"),
        ("[1]", "network", "a list, not an object"),
        ("null", "network", "null, not an object"),
        ("[" * 100_000, "network", "nested too deeply"),
        ('{"priors": ' + "[" * 50 + "]" * 50 + "}", "network", "nested too deeply"),
        (json.dumps({"priors": [], "leak": []}), "network", "'links' is missing"),
        (json.dumps(GOOD | {"prior": []}), "network, 'prior'", "did you mean 'priors'"),
        ('{"leak": [], "leak": []}', "'leak'", "stands twice"),
        (json.dumps(GOOD | {"leak": "0.1"}), "leak", "a text, not a list"),
        (json.dumps(GOOD | {"priors": [0.1, True]}), "priors[1]", "true or false, not a number"),
        (json.dumps(GOOD | {"priors": [0.1, "x"]}), "priors[1]", "a text, not a number"),
        (json.dumps(GOOD | {"priors": [0.1, float("nan")]}), "priors[1]", "nan is no probability"),
        (json.dumps(GOOD | {"leak": [0, 0, float("inf")]}), "leak[2]", "inf is no probability"),
        (json.dumps(GOOD | {"leak": [0, 0, 1.5]}), "leak[2]", "1.5 is no probability"),
        (json.dumps(GOOD | {"priors": [-0.1, 0]}), "priors[0]", "-0.1 is no probability"),
        ('{"priors": [1' + "0" * 9000 + '], "leak": [], "links": []}', "priors[0]", "inf is no"),
        (json.dumps(GOOD | {"links": [[0, 0]]}), "links[0]", "a list of 2"),
        (json.dumps(GOOD | {"links": [5]}), "links[0]", "a number"),
        (json.dumps(GOOD | {"links": [[2, 0, 0.5]]}), "links[0][0]", "causes are numbered 0 to 1"),
        (json.dumps(GOOD | {"links": [[0, -1, 0.5]]}), "links[0][1]", "numbered 0 to 2"),
        (json.dumps(GOOD | {"links": [[0, True, 0.5]]}), "links[0][1]", "true or false"),
        (json.dumps(GOOD | {"links": [[0, 1.0, 0.5]]}), "links[0][1]", "a number that is no"),
        (json.dumps(GOOD | {"links": [["gas", 1, 0.5]]}), "links[0][0]", "a text that is no cause"),
        (json.dumps(GOOD | {"links": [[0, 1, 2]]}), "links[0][2]", "2 is no probability"),
        (json.dumps(GOOD | {"links": [[0, 1, 0.1], [0, 1, 0.2]]}), "links[1]", "links[0] already"),
        (json.dumps(GOOD | {"causes": ["a", "a"]}), "causes[1]", "'a' stands at [0] too"),
        (json.dumps(GOOD | {"causes": ["a"]}), "causes", "1 names for 2"),
        (json.dumps(GOOD | {"causes": ["a", " "]}), "causes[1]", "not a name"),
        (
            json.dumps(GOOD | {"causes": ["a", "b"], "findings": ["x", "a", "z"]}),
            "findings[1]",
            "makes a cycle",
        ),
    ],
)
def test_bad_networks(text: str, place: str, words: str) -> None:
    with pytest.raises(NetworkError) as caught:
        parse_network(text)
    assert caught.value.place.startswith(place)
    assert words in str(caught.value)
    assert caught.value.mend


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("nope", "evidence, line 1", "not JSON"),
        ("[]", "evidence", "a list, not an object"),
        ('{"sen": []}', "evidence, 'sen'", "did you mean 'seen'"),
        ('{"seen": 3}', "seen", "a number, not a list"),
        ('{"seen": [3]}', "seen[0]", "findings are numbered 0 to 2"),
        ('{"seen": [null]}', "seen[0]", "null that is no finding"),
        ('{"seen": ["finding 7"]}', "seen[0]", "did you mean 'finding"),
        ('{"seen": [0, 0]}', "seen[1]", "stands at seen[0] too"),
        ('{"seen": [0], "absent": [1, 0]}', "absent[1]", "cannot be both seen and absent"),
    ],
)
def test_bad_evidence(text: str, place: str, words: str) -> None:
    with pytest.raises(NetworkError) as caught:
        parse_evidence(parse_network(json.dumps(GOOD)), text)
    assert caught.value.place.startswith(place)
    assert words in str(caught.value)


def test_huge_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_LINKS", 1)
    with pytest.raises(NetworkError, match="links: 2 of them; at most 1"):
        parse_network(json.dumps(GOOD))
    monkeypatch.setattr(module, "MOST_ENTRIES", 5)
    with pytest.raises(NetworkError, match="2 causes × 3 findings"):
        parse_network(json.dumps(GOOD | {"links": []}))


def test_empty_network() -> None:
    network = parse_network('{"priors": [], "leak": [], "links": []}')
    assert network.link.shape == (0, 0)


@pytest.mark.parametrize(
    ("evidence", "words"),
    [
        (Evidence(frozenset([9])), "seen: no finding 9"),
        (Evidence(soft=(Soft(0, -1, 1),)), "soft[0]: likelihoods -1 and 1"),
        (Evidence(soft=(Soft(0, 0, 0),)), "not both 0"),
        (Evidence(grades=(Grade(0, 3, [[1, 1]] * 2, [1, 1]),)), "grade 3 of 2"),  # type: ignore[arg-type]
        (Evidence(grades=(Grade(0, 0, [[1, 0.5]] * 2, [1, 1]),)), "not rising"),  # type: ignore[arg-type]
        (Evidence(groups=(frozenset([0, 1]), frozenset([1]))), "in two groups"),
    ],
)
def test_evidence_that_does_not_fit(evidence: Evidence, words: str) -> None:
    with pytest.raises(NetworkError) as caught:
        compile_evidence(Network.of([0.1, 0.2], [0.1, 0.1], [[0.5, 0], [0, 0.5]]), evidence)
    assert words in str(caught.value)
