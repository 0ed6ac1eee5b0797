"""Delivery against a scripted receiving end: what is sent, under which conditions, and what follows later."""

import json
from datetime import UTC, datetime, timedelta

import httpx
import pytest
from peer import NUMBERS, REMOTE, answer, bundles, delete, metadata, observation, patient, put

from service.fhir.search_keys import extract
from service.jobs.destination_state import pause, redrive, replay, resume
from service.jobs.erasure import Eraser, Erasure
from service.jobs.http_client import retry_wait

pytestmark = pytest.mark.anyio


@pytest.mark.conformance("J10")
@pytest.mark.conformance("J10")
@pytest.mark.published("FHIR R4 http.html, transaction and conditional create")
async def test_what_is_new_goes_as_one_transaction_of_conditional_creates_a_patient(site, httpx_mock):
    await put(site.store, observation("o1", "a"), patient("a"), patient("b"), observation("o2", "b"))
    metadata(httpx_mock)
    created = answer("201 Patient/1", "201 Observation/2")
    httpx_mock.add_response(method="POST", url=REMOTE, json=created, is_reusable=True)

    done = await site.deliver()

    assert (done.parcels, done.resources, done.failed) == (2, 4, 0)
    first = bundles(httpx_mock)[0]
    assert first["type"] == "transaction"
    person, weight = first["entry"]
    assert person["request"] == {
        "method": "POST",
        "url": "Patient",
        "ifNoneExist": "identifier=https%3A%2F%2Fclinic.example.org%2Fpatients%7Ca",
    }
    assert weight["resource"]["subject"]["reference"] == person["fullUrl"]
    assert "id" not in weight["resource"]
    assert "meta" not in weight["resource"]
    sent = httpx_mock.get_requests(method="POST")[0]
    assert sent.headers["Authorization"] == "Bearer secret"
    assert b'"value":72.50' in sent.content


@pytest.mark.conformance("J10")
@pytest.mark.conformance("J10")
@pytest.mark.published("FHIR R4 http.html#concurrency: If-Match with the version that is known")
async def test_what_changed_is_updated_there_on_condition_that_nobody_else_did(site, httpx_mock):
    await put(site.store, patient("a"), observation("o1", "a"))
    metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7", "201 Observation/8"))
    await site.deliver()
    assert (await site.deliver()).parcels == 0

    await put(site.store, observation("o1", "a", kilograms="71.90"))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("200 Observation/8@2"))
    assert (await site.deliver()).resources == 1
    for weight in ("71.80", "71.70"):
        await put(site.store, observation("o1", "a", kilograms=weight))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("200 Observation/8@3"))
    assert (await site.deliver()).resources == 1

    (second,), (third,) = (one["entry"] for one in bundles(httpx_mock)[1:])
    assert second["request"] == {"method": "PUT", "url": "Observation/8", "ifMatch": 'W/"1"'}
    assert second["resource"]["id"] == "8"
    assert second["resource"]["subject"]["reference"] == "Patient/7"
    assert third["request"]["ifMatch"] == 'W/"2"'


async def test_a_deletion_follows_what_was_sent_and_nothing_else(site, httpx_mock):
    await put(site.store, patient("a"), observation("o1", "a"), observation("o2", "a"))
    await delete(site.store, "Observation", "o2")
    metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7", "201 Observation/8"))
    await site.deliver()

    await delete(site.store, "Observation", "o1")
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("204"))
    await site.deliver()
    await put(site.store, patient("b"))
    await delete(site.store, "Patient", "b")
    assert (await site.deliver()).parcels == 0

    (entry,) = bundles(httpx_mock)[1]["entry"]
    assert entry == {"request": {"method": "DELETE", "url": "Observation/8", "ifMatch": 'W/"1"'}}


async def test_what_was_entered_in_error_follows_what_was_sent_and_nothing_else(site, httpx_mock):
    await put(site.store, patient("a"), observation("o1", "a"))
    await put(site.store, observation("o2", "a", status="entered-in-error"))
    metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7", "201 Observation/8"))
    assert (await site.deliver()).resources == 2

    await put(site.store, observation("o1", "a", status="entered-in-error"))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("200 Observation/8@2"))
    await site.deliver()
    (entry,) = bundles(httpx_mock)[1]["entry"]
    assert entry["resource"]["status"] == "entered-in-error"


async def test_without_an_identifier_it_goes_by_id_where_ids_are_kept(site, httpx_mock):
    await put(site.store, patient("a"), observation("o1", "a", identifier=False))
    metadata(httpx_mock, keeps=["Observation"])
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7", "201 Observation/o1"))
    assert (await site.deliver()).resources == 2
    entry = bundles(httpx_mock)[0]["entry"][1]
    assert entry["request"] == {"method": "PUT", "url": "Observation/o1"}
    assert entry["resource"]["id"] == "o1"


async def test_without_an_identifier_it_is_otherwise_left_out(site, httpx_mock):
    await put(site.store, patient("a"), observation("o1", "a", identifier=False))
    metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7"))
    assert (await site.deliver()).resources == 1
    assert (await site.state()).waiting == 0


@pytest.mark.parametrize("sent_along", [True, False])
async def test_what_names_a_version_names_the_resource_at_the_other_end(site, httpx_mock, sent_along):
    """Versions have other numbers there; whether the resource is in the same Bundle or was sent before."""
    decision = {
        "resourceType": "Provenance",
        "id": "p1",
        "target": [{"reference": "Observation/o1/_history/1"}],
        "recorded": "2026-06-01T09:00:00Z",
        "agent": [{"who": {"display": "Clinician"}}],
    }
    metadata(httpx_mock, keeps=("Provenance",))
    await put(site.store, patient("a"), observation("o1", "a"))
    if not sent_along:
        httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7", "201 Observation/8"))
        await site.deliver()
        httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Provenance/p1"))
    else:
        told = answer("201 Patient/7", "201 Observation/8", "201 Provenance/p1")
        httpx_mock.add_response(method="POST", url=REMOTE, json=told)
    await put(site.store, decision)
    await site.deliver()

    entries = bundles(httpx_mock)[-1]["entry"]
    (told,) = [one["resource"] for one in entries if one["resource"]["resourceType"] == "Provenance"]
    (target,) = [one["reference"] for one in told["target"]]
    names = [one["fullUrl"] for one in entries if one["resource"]["resourceType"] == "Observation"]
    assert [target] == (names or ["Observation/8"])
    assert bool(names) is sent_along


async def test_what_says_it_is_preliminary_stays_until_it_is_final(site, httpx_mock):
    await put(site.store, patient("a"), observation("o", "a", status="preliminary"))
    metadata(httpx_mock)
    httpx_mock.add_response(url=REMOTE, json=answer("201 Patient/7"))
    await site.deliver()
    assert [entry["resource"]["resourceType"] for entry in bundles(httpx_mock)[0]["entry"]] == ["Patient"]
    await put(site.store, observation("o", "a"))
    httpx_mock.add_response(url=REMOTE, json=answer("201 Observation/8"))
    await site.deliver()
    (entry,) = bundles(httpx_mock)[1]["entry"]
    assert entry["resource"]["status"] == "final"


async def test_a_reference_to_what_is_not_there_yet_is_told_when_it_is(site, httpx_mock):
    metadata(httpx_mock)
    second = json.loads(observation("o2", "a")) | {"hasMember": [{"reference": "Observation/o1"}]}
    await put(site.store, patient("a"), observation("o1", "a", status="preliminary"), second)
    httpx_mock.add_response(url=REMOTE, json=answer("201 Patient/7", "201 Observation/8"))
    await site.deliver()
    assert bundles(httpx_mock)[0]["entry"][1]["resource"]["hasMember"] == [{"type": "Observation"}]
    await put(site.store, observation("o1", "a", status="preliminary", kilograms="71.00"))
    assert (await site.deliver()).parcels == 0

    await put(site.store, observation("o1", "a"))
    httpx_mock.add_response(url=REMOTE, json=answer("201 Observation/9", "200 Observation/8@2"))
    assert (await site.deliver()).resources == 2
    first, again = bundles(httpx_mock)[1]["entry"]
    assert again["resource"]["hasMember"] == [{"reference": first["fullUrl"]}]
    assert again["request"] == {"method": "PUT", "url": "Observation/8", "ifMatch": 'W/"1"'}
    assert (await site.deliver()).parcels == 0


async def test_what_was_erased_is_no_longer_sent(site, httpx_mock):
    await put(site.store, patient("ann"), patient("ben"), observation("o1", "ann"))
    eraser = Eraser(lambda version: extract(json.loads(version.content)), "")
    found = await eraser.look(site.store, "ann", lambda _done, _all: None)
    erasure = Erasure("2026-06-01T00:00:00.000Z", "asked for", "person", "root")
    await eraser.erase(site.store, found, erasure, [], {})
    metadata(httpx_mock)
    httpx_mock.add_response(url=REMOTE, json=answer("201 Patient/7"))
    assert (await site.deliver()).resources == 1


@pytest.mark.conformance("J10")
async def test_a_refusal_parks_one_patient_until_somebody_says_so(site, httpx_mock):
    await put(site.store, patient("a"), patient("b"))
    metadata(httpx_mock)
    outcome = {
        "resourceType": "OperationOutcome",
        "issue": [
            {
                "severity": "error",
                "code": "business-rule",
                "diagnostics": "Invented, a",
                "expression": ["Bundle.entry[0]", "Patient.name.where(family = 'Invented')"],
            }
        ],
    }
    httpx_mock.add_response(method="POST", url=REMOTE, status_code=422, json=outcome)
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/8"))
    done = await site.deliver()
    assert (done.resources, done.failed) == (1, 1)
    state = await site.state()
    assert (state.state, state.waiting, state.parked, state.sent, state.failed) == ("active", 1, 1, 1, 1)
    assert (await site.deliver()).failed == 0

    assert await redrive(site.store, site.known, "record", "a") == 1
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7"))
    assert (await site.deliver()).resources == 1
    assert (await site.state()).problem == ""


async def test_a_paused_destination_is_sent_nothing(site, httpx_mock):
    await put(site.store, patient("a"))
    await pause(site.store, site.known, "record")
    assert (await site.deliver()).parcels == 0
    assert ((await site.state()).state, (await site.state()).waiting) == ("paused", 1)
    await resume(site.store, site.known, "record")
    metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7"))
    assert (await site.deliver()).resources == 1


async def test_what_was_sent_since_a_time_is_sent_again(site, httpx_mock, clock):
    metadata(httpx_mock)
    await put(site.store, patient("a"))
    clock.forward(days=1)
    await put(site.store, patient("b"))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7"))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/8"))
    await site.deliver()
    assert await replay(site.store, site.known, "record", clock.now) == 1
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("200 Patient/8"))
    assert (await site.deliver()).resources == 1
    (entry,) = bundles(httpx_mock)[-1]["entry"]
    assert entry["resource"]["identifier"] == [{"system": NUMBERS, "value": "b"}]


@pytest.mark.parametrize(
    ("header", "wait"),
    [
        ("7", timedelta(seconds=7)),
        ("900", timedelta(seconds=60)),
        ("Mon, 01 Jun 2026 09:00:20 GMT", timedelta(seconds=20)),
        ("Mon, 01 Jun 2026 08:00:00 GMT", timedelta(0)),
        ("soon", None),
        ("", None),
    ],
)
@pytest.mark.published("RFC 9110 section 10.2.3, Retry-After: seconds or HTTP date")
async def test_retry_after(header, wait):
    response = httpx.Response(503, headers={"Retry-After": header})
    assert retry_wait(response, datetime(2026, 6, 1, 9, 0, tzinfo=UTC)) == wait
