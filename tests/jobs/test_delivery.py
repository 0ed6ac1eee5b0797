"""Delivery against a scripted receiving end that answers, refuses, stalls and breaks."""

import asyncio
import json
from datetime import UTC, datetime, timedelta

import httpx
import pytest

from service.errors import DeliveryFailed
from service.fhir.search_keys import extract
from service.jobs.delivery import NOTHING_LEFT, PRELIMINARY, push
from service.jobs.erasure import Eraser, Erasure
from service.jobs.http_client import connect, retry_wait
from service.jobs.ledger import Ledger
from service.jobs.outgoing import Outgoing
from service.store.sqlite import SqliteStore

REMOTE = "https://record.example.org/fhir"
NUMBERS = "https://clinic.example.org/patients"


def _patient(id_):
    return {
        "resourceType": "Patient",
        "id": id_,
        "identifier": [{"system": NUMBERS, "value": id_}],
        "name": [{"family": "Invented"}],
    }


def _observation(id_, patient, *, identifier=True, kilograms="72.50"):
    tree = {
        "resourceType": "Observation",
        "id": id_,
        "status": "final",
        "code": {"text": "weight"},
        "subject": {"reference": f"Patient/{patient}"},
        "valueQuantity": {"value": "@", "unit": "kg"},
    }
    if identifier:
        tree["identifier"] = [{"system": "https://clinic.example.org/visits", "value": id_}]
    return json.dumps(tree).replace('"@"', kilograms).encode()


@pytest.fixture
def anyio_backend():
    return "asyncio"


@pytest.fixture
def folder(tmp_path):
    return tmp_path


@pytest.fixture
def store(folder):
    opened = SqliteStore(folder / "store.sqlite", clock=lambda: datetime(2026, 6, 1, tzinfo=UTC))
    yield opened
    asyncio.run(opened.close())


async def _put(store, *resources):
    async def work(txn):
        for resource in resources:
            text = resource if isinstance(resource, bytes) else json.dumps(resource).encode()
            tree = json.loads(text)
            await txn.put(tree["resourceType"], tree["id"], text, extract(tree))

    await store.write("test", work)


async def _push(store, folder, **options):
    async with connect(REMOTE, "secret", Outgoing()) as client:
        return await push(store, client, Ledger(folder, REMOTE), **options)


def _metadata(httpx_mock, *, keeps=(), transaction=True):
    httpx_mock.add_response(
        url=f"{REMOTE}/metadata",
        json={
            "resourceType": "CapabilityStatement",
            "rest": [
                {
                    "mode": "server",
                    "interaction": [{"code": "transaction"}] if transaction else [],
                    "resource": [{"type": type_, "updateCreate": True} for type_ in keeps],
                }
            ],
        },
        is_reusable=True,
    )


def _bundles(httpx_mock):
    return [json.loads(request.content) for request in httpx_mock.get_requests(method="POST", url=REMOTE)]


@pytest.mark.anyio
async def test_one_transaction_of_conditional_updates_per_patient(store, folder, httpx_mock):
    await _put(store, _patient("a"), _patient("b"), _observation("o1", "a"), _observation("o2", "b"))
    _metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, json={"resourceType": "Bundle"}, is_reusable=True)

    result = await _push(store, folder)

    assert (result.transactions, result.resources, result.left_out) == (2, 4, 0)
    first = _bundles(httpx_mock)[0]
    assert first["type"] == "transaction"
    patient, observation = first["entry"]
    assert patient["request"] == {
        "method": "PUT",
        "url": "Patient?identifier=https%3A%2F%2Fclinic.example.org%2Fpatients%7Ca",
    }
    assert observation["resource"]["subject"]["reference"] == patient["fullUrl"]
    assert "id" not in observation["resource"]
    assert "meta" not in observation["resource"]
    sent = httpx_mock.get_requests(method="POST")[0]
    assert sent.headers["Authorization"] == "Bearer secret"
    assert b'"value":72.50' in sent.content


@pytest.mark.anyio
async def test_a_second_push_sends_only_what_changed_and_refers_to_what_is_there(store, folder, httpx_mock):
    await _put(store, _patient("a"), _observation("o1", "a"))
    _metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, json={"resourceType": "Bundle"}, is_reusable=True)
    await _push(store, folder)
    assert (await _push(store, folder)).transactions == 0

    await _put(store, _observation("o1", "a", kilograms="71.90"))
    result = await _push(store, folder)

    assert (result.transactions, result.resources) == (1, 1)
    (entry,) = _bundles(httpx_mock)[-1]["entry"]
    assert entry["resource"]["subject"]["reference"] == (
        "Patient?identifier=https%3A%2F%2Fclinic.example.org%2Fpatients%7Ca"
    )


@pytest.mark.anyio
async def test_a_deletion_is_delivered_as_one(store, folder, httpx_mock):
    await _put(store, _patient("a"), _observation("o1", "a"))
    _metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, json={"resourceType": "Bundle"}, is_reusable=True)
    await _push(store, folder)

    await store.write("test", lambda txn: txn.delete("Observation", "o1"))
    await _push(store, folder)

    (entry,) = _bundles(httpx_mock)[-1]["entry"]
    assert entry == {
        "request": {
            "method": "DELETE",
            "url": "Observation?identifier=https%3A%2F%2Fclinic.example.org%2Fvisits%7Co1",
        }
    }


@pytest.mark.anyio
@pytest.mark.parametrize(
    "fault",
    [
        {"status_code": 503, "headers": {"Retry-After": "0"}},
        {"status_code": 429, "headers": {"Retry-After": "0"}},
        {"status_code": 502},
        httpx.ReadTimeout("slow"),
        httpx.ConnectError("refused"),
        httpx.RemoteProtocolError("half closed"),
    ],
    ids=str,
)
async def test_a_passing_fault_is_tried_again(store, folder, httpx_mock, fault):
    await _put(store, _patient("a"))
    _metadata(httpx_mock)
    if isinstance(fault, Exception):
        httpx_mock.add_exception(fault, method="POST", url=REMOTE)
    else:
        httpx_mock.add_response(method="POST", url=REMOTE, **fault)
    httpx_mock.add_response(method="POST", url=REMOTE, json={"resourceType": "Bundle"})

    assert (await _push(store, folder, attempts=2)).transactions == 1
    assert len(_bundles(httpx_mock)) == 2


@pytest.mark.anyio
async def test_a_refusal_stops_and_what_was_acknowledged_stays_so(store, folder, httpx_mock):
    await _put(store, _patient("a"), _patient("b"))
    _metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, json={"resourceType": "Bundle"})
    httpx_mock.add_response(
        method="POST",
        url=REMOTE,
        status_code=422,
        json={
            "resourceType": "OperationOutcome",
            "issue": [
                {
                    "severity": "error",
                    "code": "business-rule",
                    "diagnostics": "Invented, b",
                    "expression": ["Bundle.entry[0]"],
                }
            ],
        },
    )

    with pytest.raises(DeliveryFailed) as refused:
        await _push(store, folder)

    assert str(refused.value) == "The receiving end answered 422: business-rule at Bundle.entry[0]."
    httpx_mock.add_response(method="POST", url=REMOTE, json={"resourceType": "Bundle"})
    assert (await _push(store, folder)).resources == 1


@pytest.mark.anyio
async def test_giving_up_names_the_fault_but_no_content(store, folder, httpx_mock):
    await _put(store, _patient("a"))
    _metadata(httpx_mock)
    httpx_mock.add_exception(httpx.ReadTimeout("slow"), method="POST", url=REMOTE, is_reusable=True)

    with pytest.raises(DeliveryFailed, match=r"^The receiving end did not answer \(ReadTimeout\)\.$"):
        await _push(store, folder, attempts=2)


@pytest.mark.anyio
async def test_without_an_identifier_it_goes_by_id_where_ids_are_kept(store, folder, httpx_mock):
    await _put(store, _patient("a"), _observation("o1", "a", identifier=False))
    _metadata(httpx_mock, keeps=["Observation"])
    httpx_mock.add_response(method="POST", url=REMOTE, json={"resourceType": "Bundle"})

    assert (await _push(store, folder)).resources == 2
    entry = _bundles(httpx_mock)[0]["entry"][1]
    assert entry["request"]["url"] == "Observation/o1"
    assert entry["resource"]["id"] == "o1"


@pytest.mark.anyio
async def test_without_an_identifier_it_is_otherwise_counted_as_left_out(store, folder, httpx_mock):
    await _put(store, _patient("a"), _observation("o1", "a", identifier=False))
    _metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, json={"resourceType": "Bundle"})

    result = await _push(store, folder)

    assert (result.resources, result.reasons) == (1, {"Observation without an identifier": 1})


@pytest.mark.anyio
@pytest.mark.parametrize("body", [b"<html>", b"[]", b'{"rest": []}', b'{"resourceType": "Patient"}'])
async def test_an_address_that_is_no_fhir_server_is_named(store, folder, httpx_mock, body):
    httpx_mock.add_response(url=f"{REMOTE}/metadata", content=body)
    with pytest.raises(DeliveryFailed, match="does not answer with a FHIR CapabilityStatement"):
        await _push(store, folder)


@pytest.mark.anyio
async def test_a_server_without_transactions_is_refused(store, folder, httpx_mock):
    _metadata(httpx_mock, transaction=False)
    with pytest.raises(DeliveryFailed, match="does not take transactions"):
        await _push(store, folder)


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
def test_retry_after(header, wait):
    response = httpx.Response(503, headers={"Retry-After": header})
    assert retry_wait(response, datetime(2026, 6, 1, 9, 0, tzinfo=UTC)) == wait


@pytest.mark.anyio
@pytest.mark.parametrize("sent_along", [True, False])
async def test_what_names_a_version_names_the_resource_at_the_other_end(
    store, folder, httpx_mock, sent_along
):
    """Versions have other numbers there; whether the resource is in the same Bundle or found by a search."""
    decision = {
        "resourceType": "Provenance",
        "id": "p1",
        "target": [{"reference": "Observation/o1/_history/1"}],
        "recorded": "2026-06-01T09:00:00Z",
        "agent": [{"who": {"display": "Clinician"}}],
    }
    _metadata(httpx_mock, keeps=("Provenance",))
    httpx_mock.add_response(method="POST", url=REMOTE, json={"resourceType": "Bundle"}, is_reusable=True)
    await _put(store, _patient("a"), _observation("o1", "a"))
    if not sent_along:
        await _push(store, folder)
    await _put(store, decision)
    await _push(store, folder)

    entries = _bundles(httpx_mock)[-1]["entry"]
    (told,) = [one["resource"] for one in entries if one["resource"]["resourceType"] == "Provenance"]
    (target,) = [one["reference"] for one in told["target"]]
    names = [one["fullUrl"] for one in entries if one["resource"]["resourceType"] == "Observation"]
    assert [target] == (names or ["Observation?identifier=https%3A%2F%2Fclinic.example.org%2Fvisits%7Co1"])
    assert bool(names) is sent_along


@pytest.mark.anyio
async def test_what_says_it_is_preliminary_stays_until_it_is_final(store, folder, httpx_mock):
    await _put(store, _patient("a"), _observation("o", "a").replace(b"final", b"preliminary"))
    _metadata(httpx_mock)
    httpx_mock.add_response(url=REMOTE, json={}, is_reusable=True)
    first = await _push(store, folder)
    assert first.reasons == {PRELIMINARY: 1}
    assert [entry["resource"]["resourceType"] for entry in _bundles(httpx_mock)[0]["entry"]] == ["Patient"]
    await _put(store, _observation("o", "a"))
    await _push(store, folder)
    (entry,) = _bundles(httpx_mock)[1]["entry"]
    assert entry["resource"]["status"] == "final"


@pytest.mark.anyio
async def test_what_was_erased_is_no_longer_sent(httpx_mock, store, folder):
    await _put(store, _patient("ann"), _patient("ben"), _observation("o1", "ann"))
    eraser = Eraser(lambda version: extract(json.loads(version.content)), "")
    found = await eraser.look(store, "ann", lambda _done, _all: None)
    erasure = Erasure("2026-06-01T00:00:00.000Z", "asked for", "person", "root")
    await eraser.erase(store, found, erasure, [], lambda _first: ())
    _metadata(httpx_mock, keeps=("Patient",))
    httpx_mock.add_response(url=REMOTE, json={"resourceType": "Bundle", "type": "transaction-response"})
    delivered = await _push(store, folder)
    assert (delivered.resources, delivered.reasons) == (1, {NOTHING_LEFT: 1})
