"""What is written keeps the profiles it claims, where they are known."""

import asyncio
import json
from dataclasses import replace

import pytest
from written_profiles import ROOT, at, known, profile

from service.errors import InvalidInput, RuleViolation
from service.interactions.patch import patch

JSON = "application/json-patch+json"
BITE = profile("Bite", "Observation", at("Observation.note", min=1), at("Observation.bodySite", max="0"))


def observation(*profiles, **more):
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "bite"},
        "meta": {"profile": list(profiles)},
        **more,
    }


@pytest.fixture
def guided(client):
    """A client of a service that knows one more profile."""
    client.context = replace(client.context, definitions=known(BITE))
    return client


def test_a_claim_that_does_not_hold_is_refused(guided):
    with pytest.raises(InvalidInput) as refused:
        guided.create(observation(BITE["url"], bodySite={"text": "jaw"}))
    places = [(issue.place.expression, issue.rule) for issue in refused.value.issues]
    assert places == [
        ("Observation", f"{BITE['url']}#Observation.note"),
        ("Observation.bodySite", f"{BITE['url']}#Observation.bodySite"),
    ]
    assert guided.create(observation(BITE["url"], note=[{"text": "hard"}])).outcome == "created"


def test_a_claim_of_a_profile_that_is_not_known_is_kept_as_sent(client):
    assert client.create(observation(f"{ROOT}Elsewhere", bodySite={"text": "jaw"})).outcome == "created"


def test_the_profiles_of_the_standard_are_known_everywhere(client):
    with pytest.raises(InvalidInput, match="effective is required"):
        client.create(observation("http://hl7.org/fhir/StructureDefinition/bodyweight"))


def test_an_entry_of_a_transaction_is_named(guided):
    entry = {"resource": observation(BITE["url"]), "request": {"method": "POST", "url": "Observation"}}
    with pytest.raises(InvalidInput) as refused:
        guided.process({"resourceType": "Bundle", "type": "transaction", "entry": [entry]})
    assert [issue.place.expression for issue in refused.value.issues] == ["Bundle.entry[0].resource"]


def test_a_patch_may_not_break_a_claim(guided):
    made = guided.create(observation(BITE["url"], note=[{"text": "hard"}]))
    body = json.dumps([{"op": "remove", "path": "/note"}]).encode()
    work = patch(guided.store, f"Observation/{made.version.id}", JSON, body, context=guided.context)
    with pytest.raises(RuleViolation, match="After the patch: note is required"):
        asyncio.run(work)
