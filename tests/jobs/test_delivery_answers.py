"""What each class of answer means for what was sent: later, never again until somebody looks, or arrived."""

import json

import httpx
import pytest
from peer import REMOTE, answer, bundles, metadata, observation, patient, put

from service.errors import DeliveryFailed
from service.fhir.json import parse
from service.jobs.delivery_fhir import FhirSender
from service.jobs.destination_state import parked
from service.jobs.http_client import connect
from service.jobs.outgoing import Outgoing

pytestmark = pytest.mark.anyio

ERROR = {
    "severity": "error",
    "code": "business-rule",
    "diagnostics": "Invented, a",
    "expression": ["Patient"],
}
NOTE = {"severity": "information", "code": "informational"}


def outcome(*issues):
    return {"resourceType": "OperationOutcome", "issue": list(issues)}


async def answered(site, httpx_mock, **told):
    await put(site.store, patient("a"))
    metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, **told)
    await site.deliver()
    return await site.state()


@pytest.mark.conformance("J10")
@pytest.mark.published("FHIR R4 http.html, create, update and transaction: status codes; RFC 9110 section 15")
@pytest.mark.parametrize(
    ("status", "state", "is_parked"),
    [
        (400, "active", 1),
        (401, "active", 0),
        (403, "active", 0),
        (404, "active", 0),
        (405, "active", 0),
        (406, "active", 0),
        (408, "active", 0),
        (409, "active", 0),
        (410, "active", 0),
        (413, "active", 1),
        (415, "active", 0),
        (422, "active", 1),
        (425, "active", 0),
        (429, "active", 0),
        (500, "active", 0),
        (501, "active", 0),
        (502, "active", 0),
        (503, "active", 0),
        (504, "active", 0),
        (301, "active", 0),
        (302, "active", 0),
        (303, "active", 0),
        (307, "active", 0),
        (308, "active", 0),
    ],
)
async def test_a_status_that_is_no_success_parks_or_puts_off(site, httpx_mock, status, state, is_parked):
    headers = {"Location": "https://elsewhere.example.org/fhir"} if 300 <= status < 400 else {}
    told = await answered(site, httpx_mock, status_code=status, headers=headers, json=outcome(ERROR))
    assert (told.state, told.waiting, told.parked, told.sent) == (state, 1, is_parked, 0)
    assert told.problem.startswith(f"The receiving end answered {status}: business-rule at Patient.")
    assert "Invented" not in told.problem
    assert len(bundles(httpx_mock)) == 1
    assert all(request.url.host == "record.example.org" for request in httpx_mock.get_requests())


@pytest.mark.parametrize(
    ("told", "is_parked"),
    [
        ({"status_code": 200, "json": outcome(ERROR)}, 1),
        ({"status_code": 200, "json": outcome(NOTE)}, 0),
        ({"status_code": 200, "json": answer()}, 0),
        ({"status_code": 200, "json": answer("422")}, 1),
        ({"status_code": 202}, 0),
        ({"status_code": 204}, 0),
        ({"status_code": 200, "content": b'{"resourceType":"Bundle","entry":['}, 0),
        ({"status_code": 200, "content": b"\xff\xfe"}, 0),
        ({"status_code": 200, "html": "<html>Log in</html>"}, 0),
        ({"status_code": 200, "json": {"resourceType": "Bundle", "entry": [None]}}, 1),
        ({"status_code": 200, "json": []}, 0),
        ({"status_code": 422, "content": b"{"}, 1),
        ({"status_code": 422, "json": {"issue": [None]}}, 1),
    ],
)
async def test_a_success_that_does_not_say_what_arrived_is_none(site, httpx_mock, told, is_parked):
    state = await answered(site, httpx_mock, **told)
    assert (state.waiting, state.parked, state.sent, state.failed) == (1, is_parked, 0, 1)


@pytest.mark.parametrize(
    "fault",
    [
        httpx.ReadTimeout("slow"),
        httpx.ConnectError("refused"),
        httpx.RemoteProtocolError("half closed"),
        httpx.ReadError("reset"),
        httpx.WriteError("reset"),
    ],
    ids=lambda fault: type(fault).__name__,
)
async def test_what_got_no_answer_is_sent_again(site, httpx_mock, clock, fault):
    await put(site.store, patient("a"))
    metadata(httpx_mock)
    httpx_mock.add_exception(fault, method="POST", url=REMOTE)
    await site.deliver()
    assert (await site.state()).problem == f"The receiving end did not answer ({type(fault).__name__})."
    clock.forward(seconds=2)
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7"))
    assert (await site.deliver()).resources == 1


@pytest.mark.conformance("J10")
@pytest.mark.published("RFC 9110 section 10.2.3: Retry-After")
async def test_a_busy_end_is_left_alone_for_as_long_as_it_says(site, httpx_mock, clock):
    told = await answered(site, httpx_mock, status_code=429, headers={"Retry-After": "30"})
    assert (told.state, round(told.rests_s)) == ("resting", 30)
    clock.forward(seconds=29)
    assert (await site.deliver()).failed == 0
    clock.forward(seconds=2)
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7"))
    assert (await site.deliver()).resources == 1


async def test_after_failures_in_a_row_one_patient_tries_for_all(site, httpx_mock, clock):
    await put(site.store, *(patient(f"p{number}") for number in range(6)))
    metadata(httpx_mock)
    httpx_mock.add_exception(httpx.ConnectError("down"), method="POST", url=REMOTE, is_reusable=True)
    assert (await site.deliver()).failed == 3
    assert (await site.state()).state == "resting"
    clock.forward(seconds=2)
    assert (await site.deliver()).failed == 1
    httpx_mock.reset()
    metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7"), is_reusable=True)
    clock.forward(seconds=4)
    assert (await site.deliver()).resources == 6
    assert ((await site.state()).state, (await site.state()).problem) == ("active", "")


async def test_what_fails_for_one_patient_alone_is_parked_in_the_end(site, httpx_mock, clock):
    await put(site.store, patient("a"), patient("b"))
    metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, status_code=500)
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7"))
    assert (await site.deliver()).resources == 1
    httpx_mock.add_response(method="POST", url=REMOTE, status_code=500, is_reusable=True)
    for _ in range(18):
        clock.forward(minutes=16)
        await site.deliver()
    assert (await site.state()).parked == 0
    clock.forward(minutes=16)
    await site.deliver()
    (one,) = await parked(site.store, site.known, "record")
    assert (one.patient, one.problem) == ("a", "The receiving end answered 500.")


def there(version, text, **more):
    return json.loads(text) | {"meta": {"versionId": version}} | more


@pytest.mark.conformance("J10")
@pytest.mark.published("FHIR R4 http.html#ccreate: 200 where one match exists, and nothing is created")
@pytest.mark.parametrize("answered", [True, False], ids=["answer lost", "corrected meanwhile"])
async def test_an_answer_that_got_lost_is_made_up_for(site, httpx_mock, clock, answered):
    metadata(httpx_mock)
    await put(site.store, patient("a"), observation("o1", "a"))
    httpx_mock.add_exception(httpx.ReadTimeout("lost"), method="POST", url=REMOTE)
    await site.deliver()
    clock.forward(seconds=2)
    if not answered:
        await put(site.store, observation("o1", "a", kilograms="71.90"))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("200 Patient/7", "200 Observation/8"))
    subject = {"reference": f"{REMOTE}/Patient/7"}
    httpx_mock.add_response(url=f"{REMOTE}/Patient/7", json=there("1", json.dumps(patient("a")), id="7"))
    weight = dumped(there("1", observation("o1", "a"), id="8", subject=subject))
    httpx_mock.add_response(url=f"{REMOTE}/Observation/8", content=weight)
    if not answered:
        httpx_mock.add_response(method="POST", url=REMOTE, json=answer("200 Observation/8@2"))
    assert (await site.deliver()).resources == 2
    last = bundles(httpx_mock)[-1]["entry"]
    assert last[-1]["request"]["method"] == ("POST" if answered else "PUT")
    assert answered or last[-1]["request"]["ifMatch"] == 'W/"1"'


def dumped(tree):
    return json.dumps(tree).replace("72.5,", "72.50,").encode()


@pytest.mark.conformance("J10")
@pytest.mark.published("FHIR R4 http.html#concurrency: 412 where the version is another")
@pytest.mark.parametrize(
    ("weight", "version", "sent"), [("70.00", "2", 0), ("72.50", "2", 1), ("71.90", "2", 1)]
)
@pytest.mark.conformance("J10")
async def test_what_somebody_else_wrote_there_is_not_overwritten(site, httpx_mock, weight, version, sent):
    """Of three that changed there: another's words, ours with a new number, and what we want to send."""
    metadata(httpx_mock)
    await put(site.store, patient("a"), observation("o1", "a"))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7", "201 Observation/8"))
    await site.deliver()
    await put(site.store, observation("o1", "a", kilograms="71.90"))
    httpx_mock.add_response(method="POST", url=REMOTE, status_code=412)
    tree = parse(observation("o1", "a", kilograms=weight))
    text = json.dumps(
        {**json.loads(observation("o1", "a")), "id": "8", "meta": {"versionId": version}}
        | {"subject": {"reference": "Patient/7"}}
    ).replace("72.5,", f"{weight},")
    assert str(tree["valueQuantity"]["value"]) == weight
    httpx_mock.add_response(url=f"{REMOTE}/Observation/8", content=text.encode())
    if weight == "72.50":
        httpx_mock.add_response(method="POST", url=REMOTE, json=answer("200 Observation/8@3"))
    assert (await site.deliver()).resources == sent
    state = await site.state()
    if sent:
        assert state.waiting == 0
        assert len(bundles(httpx_mock)) == (3 if weight == "72.50" else 2)
    else:
        assert (state.parked, state.problem) == (
            1,
            "Observation: one there says something else than was sent; it is not overwritten.",
        )


async def test_a_person_who_was_there_before_us_is_referred_to_and_left_as_they_are(site, httpx_mock):
    metadata(httpx_mock)
    await put(site.store, patient("a"), observation("o1", "a"))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("200 Patient/7", "201 Observation/8"))
    richer = patient("a") | {"id": "7", "meta": {"versionId": "5"}, "gender": "female"}
    httpx_mock.add_response(url=f"{REMOTE}/Patient/7", json=richer)
    assert (await site.deliver()).resources == 1
    await put(site.store, patient("a") | {"birthDate": "1958"}, observation("o1", "a", kilograms="71.90"))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("200 Observation/8@2"))
    assert (await site.deliver()).resources == 1
    (entry,) = bundles(httpx_mock)[-1]["entry"]
    assert entry["resource"]["subject"]["reference"] == "Patient/7"


async def test_what_was_deleted_there_is_not_made_anew(site, httpx_mock):
    metadata(httpx_mock)
    await put(site.store, patient("a"))
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7"))
    await site.deliver()
    await put(site.store, patient("a") | {"birthDate": "1958"})
    httpx_mock.add_response(method="POST", url=REMOTE, status_code=412)
    httpx_mock.add_response(url=f"{REMOTE}/Patient/7", status_code=410)
    await site.deliver()
    assert (
        await site.state()
    ).problem == "Patient: one that was sent has been deleted there; it is not made anew."


async def test_several_with_one_identifier_are_told_of(site, httpx_mock):
    metadata(httpx_mock)
    await put(site.store, patient("a"))
    httpx_mock.add_response(method="POST", url=REMOTE, status_code=412)
    found = [{"resource": patient(id_)} for id_ in ("7", "8")]
    matches = {"resourceType": "Bundle", "type": "searchset", "entry": found}
    criterion = "identifier=https%3A%2F%2Fclinic.example.org%2Fpatients%7Ca"
    httpx_mock.add_response(url=f"{REMOTE}/Patient?{criterion}", json=matches)
    await site.deliver()
    said = "Patient: several there have the identifier of one here; leave one of them."
    assert (await site.state()).problem == said


@pytest.mark.conformance("J10")
@pytest.mark.published("FHIR R4 http.html#create: Location with the id; else it is found by its identifier")
@pytest.mark.parametrize("once", [True, False], ids=["conditional create", "search, then write"])
@pytest.mark.parametrize("location", [True, False], ids=["201 with Location", "201 without"])
async def test_an_end_without_transactions_gets_single_writes_in_order(site, httpx_mock, once, location):
    types = ("Patient", "Observation")
    metadata(httpx_mock, transaction=False, once=types if once else ())
    await put(site.store, observation("o1", "a"), patient("a"))
    nothing = {"resourceType": "Bundle", "type": "searchset", "entry": []}
    for number, one in enumerate((patient("a"), json.loads(observation("o1", "a")))):
        type_, made = one["resourceType"], one | {"id": f"there-{number}", "meta": {"versionId": "1"}}
        if type_ == "Observation":
            made |= {"subject": {"reference": "Patient/there-0"}}
        criterion = made["identifier"][0]["system"].replace(":", "%3A").replace("/", "%2F")
        address = f"{REMOTE}/{type_}?identifier={criterion}%7C{made['identifier'][0]['value']}"
        if not once:
            httpx_mock.add_response(url=address, json=nothing)
        headers = {"Location": f"{REMOTE}/{type_}/there-{number}/_history/1"} if location else {}
        httpx_mock.add_response(
            method="POST", url=f"{REMOTE}/{type_}", status_code=201, headers={"ETag": 'W/"1"', **headers}
        )
        if not location:
            matches = {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": made}]}
            httpx_mock.add_response(url=address, content=dumped(matches))
    assert (await site.deliver()).resources == 2
    sent = httpx_mock.get_requests(method="POST")
    assert [one.url.path for one in sent] == ["/fhir/Patient", "/fhir/Observation"]
    assert all(("If-None-Exist" in one.headers) is once for one in sent)
    assert json.loads(sent[1].content)["subject"]["reference"] == "Patient/there-0"

    await put(site.store, observation("o1", "a", kilograms="71.90"))
    httpx_mock.add_response(method="PUT", url=f"{REMOTE}/Observation/there-1", headers={"ETag": 'W/"2"'})
    assert (await site.deliver()).resources == 1
    (update,) = httpx_mock.get_requests(method="PUT")
    assert update.headers["If-Match"] == 'W/"1"'

    await site.store.write("test", lambda txn: txn.delete("Observation", "o1"))
    httpx_mock.add_response(method="DELETE", url=f"{REMOTE}/Observation/there-1", status_code=404)
    assert (await site.deliver()).resources == 1


@pytest.mark.parametrize(
    "told",
    [
        {"html": "<html>"},
        {"json": []},
        {"json": {"resourceType": "CapabilityStatement", "rest": []}},
        {"json": {"resourceType": "CapabilityStatement", "fhirVersion": "3.0.2"}},
        {"json": {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "format": ["xml"]}},
        {"json": patient("a")},
        {"status_code": 412},
        {"status_code": 302, "headers": {"Location": "https://elsewhere.example.org/"}},
    ],
)
async def test_an_address_that_is_no_fhir_server_is_named(site, httpx_mock, told):
    await put(site.store, patient("a"))
    httpx_mock.add_response(url=f"{REMOTE}/metadata", **told)
    await site.deliver()
    state = await site.state()
    assert (state.waiting, state.parked, state.sent) == (1, 0, 0)
    assert state.problem


async def test_a_type_that_is_not_taken_is_left_out(site, httpx_mock):
    await put(site.store, patient("a"), {"resourceType": "Basic", "id": "b", "code": {"text": "invented"}})
    metadata(httpx_mock)
    httpx_mock.add_response(method="POST", url=REMOTE, json=answer("201 Patient/7"))
    assert (await site.deliver()).resources == 1
    assert (await site.state()).waiting == 0


@pytest.mark.parametrize(
    ("status", "advice"),
    [
        (401, "It does not believe the token; see to the login of this destination."),
        (403, "It does not let the token write this; whoever gave it has to permit it there."),
        (404, "Nothing is at this address; it has to be the base of the FHIR service."),
    ],
)
async def test_what_to_do_is_told_where_the_answer_does_not_tell_it(site, httpx_mock, status, advice):
    state = await answered(site, httpx_mock, status_code=status, json=outcome({**ERROR, "code": "login"}))
    assert state.problem.startswith(f"The receiving end answered {status}: login")
    assert state.problem.endswith(advice)


@pytest.mark.parametrize(("status", "accepted"), [(200, True), (403, True), (404, True), (401, False)])
async def test_a_test_looks_whether_the_login_is_good(site, httpx_mock, status, accepted):
    """The CapabilityStatement may be told to everybody (FHIR R4 http.html#capabilities): no proof of it."""
    metadata(httpx_mock)
    httpx_mock.add_response(url=f"{REMOTE}/Patient/nobody", status_code=status, json=outcome())
    sender = FhirSender(site.destination, site.store, connect(REMOTE, "secret", Outgoing()))
    if accepted:
        assert "it accepts the login" in await sender.test()
    else:
        with pytest.raises(DeliveryFailed, match="does not believe the token"):
            await sender.test()
    await sender.close()
