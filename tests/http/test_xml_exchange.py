"""XML in and out at every FHIR address, equal to what JSON says."""

import json
import threading
from typing import Any

import pytest
from httpx import AsyncClient, Response

from service.fhir import json as fhir_json
from service.fhir import xml, xml_writer

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("A4")]

XML = "application/fhir+xml"
IN_XML = {"Content-Type": XML, "Accept": XML}
PATIENT = b"""<?xml version="1.0" encoding="UTF-8"?>
<Patient xmlns="http://hl7.org/fhir">
  <id value="x1"/>
  <text>
    <status value="generated"/>
    <div xmlns="http://www.w3.org/1999/xhtml">HTEST, <br />invented</div>
  </text>
  <extension url="http://example.org/weight"><valueDecimal value="72.50"/></extension>
  <name id="n"><family value="HTEST"/><given value="A"/><given id="g" value="B"/></name>
</Patient>
"""


def tree(answer: Response) -> dict[str, Any]:
    assert answer.headers["content-type"].startswith(XML), answer.text
    return xml.parse(answer.content)


async def put(client: AsyncClient) -> Response:
    return await client.put("/fhir/Patient/x1", content=PATIENT, headers=IN_XML)


async def test_what_is_sent_as_xml_is_read_as_json_and_as_xml(integrator: AsyncClient) -> None:
    created = await put(integrator)
    assert created.status_code == 201
    as_json = await integrator.get("/fhir/Patient/x1")
    body = fhir_json.parse(as_json.content)
    assert str(body["extension"][0]["valueDecimal"]) == "72.50"
    assert body["text"]["div"] == '<div xmlns="http://www.w3.org/1999/xhtml">HTEST, <br />invented</div>'
    assert body["name"][0]["_given"] == [None, {"id": "g"}]
    as_xml = await integrator.get("/fhir/Patient/x1", headers={"Accept": XML})
    assert tree(created) == tree(as_xml) == body
    assert as_xml.headers["etag"] == as_json.headers["etag"] == 'W/"1"'


async def test_the_same_content_in_the_other_format_makes_no_new_version(integrator: AsyncClient) -> None:
    await put(integrator)
    body = (await integrator.get("/fhir/Patient/x1")).content
    again = await integrator.put(
        "/fhir/Patient/x1", content=body, headers={"Content-Type": "application/fhir+json"}
    )
    assert again.headers["etag"] == (await put(integrator)).headers["etag"] == 'W/"1"'


async def test_aliases_and_format_parameter(integrator: AsyncClient) -> None:
    await put(integrator)
    for name in ("application/xml", "text/xml"):
        sent = await integrator.put("/fhir/Patient/x1", content=PATIENT, headers={"Content-Type": name})
        assert sent.status_code == 200
        answer = await integrator.get("/fhir/Patient/x1", headers={"Accept": name})
        assert answer.headers["content-type"].startswith(name)
        assert xml.parse(answer.content)["id"] == "x1"
    for value in ("xml", "application/fhir+xml", "application/fhir%2Bxml", "text/xml"):
        answer = await integrator.get(f"/fhir/Patient/x1?_format={value}")
        assert xml.parse(answer.content)["id"] == "x1"


@pytest.mark.parametrize(
    "address",
    [
        "/fhir/metadata",
        "/fhir/Patient?_id=x1",
        "/fhir/Patient/x1/_history",
        "/fhir/Patient/x1/_history/1",
        "/fhir/_history",
        "/fhir/OperationDefinition/goal-attainment",
        "/fhir/Patient/x1/$goal-attainment",
    ],
)
async def test_every_answer_in_xml_says_what_json_says(integrator: AsyncClient, address: str) -> None:
    await put(integrator)
    as_json = await integrator.get(address)
    as_xml = await integrator.get(address, headers={"Accept": XML})
    assert as_xml.status_code == as_json.status_code == 200
    assert tree(as_xml) == fhir_json.parse(as_json.content)


async def test_a_transaction_in_xml(integrator: AsyncClient) -> None:
    bundle = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "fullUrl": "urn:uuid:8e1b5b0a-57d1-4a0c-8f2f-111111111111",
                "resource": {"resourceType": "Patient", "name": [{"text": "HTEST"}]},
                "request": {"method": "POST", "url": "Patient"},
            },
            {
                "resource": {
                    "resourceType": "Observation",
                    "status": "final",
                    "code": {"text": "weight"},
                    "subject": {"reference": "urn:uuid:8e1b5b0a-57d1-4a0c-8f2f-111111111111"},
                },
                "request": {"method": "POST", "url": "Observation"},
            },
        ],
    }
    answer = await integrator.post("/fhir", content=xml_writer.dump(bundle), headers=IN_XML)
    body = tree(answer)
    assert answer.status_code == 200
    assert body["type"] == "transaction-response"
    assert [entry["response"]["status"] for entry in body["entry"]] == ["201 Created"] * 2


async def test_an_operation_takes_parameters_in_xml(integrator: AsyncClient) -> None:
    await put(integrator)
    parameters = {"resourceType": "Parameters", "parameter": [{"name": "date", "valueDate": "2026-05-01"}]}
    address = "/fhir/Patient/x1/$goal-attainment"
    as_xml = await integrator.post(address, content=xml_writer.dump(parameters), headers=IN_XML)
    as_json = await integrator.post(address, json=parameters)
    assert tree(as_xml) == as_json.json()


async def test_refusals_come_in_the_format_that_was_asked_for(integrator: AsyncClient) -> None:
    stranger = {"Accept": XML, "Authorization": ""}
    answers = {
        404: await integrator.get("/fhir/Patient/none", headers={"Accept": XML}),
        400: await integrator.post(
            "/fhir/Patient", content=PATIENT.replace(b"family", b"fam"), headers=IN_XML
        ),
        415: await integrator.post(
            "/fhir/Patient", content=b"x", headers=IN_XML | {"Content-Type": "text/csv"}
        ),
        401: await integrator.get("/fhir/Patient/x1", headers=stranger),
        405: await integrator.put("/fhir/metadata", headers={"Accept": XML}),
    }
    for status, answer in answers.items():
        assert answer.status_code == status
        assert tree(answer)["resourceType"] == "OperationOutcome"
    (issue,) = tree(answers[400])["issue"]
    assert issue["expression"] == ["Patient.name[0]"]
    assert "line 9" in issue["diagnostics"]
    unknown = await integrator.get("/fhir/Patient/none", headers={"Accept": "text/turtle"})
    assert unknown.status_code == 406
    assert unknown.headers["content-type"] == "application/fhir+json"


async def test_a_sentence_xml_cannot_carry_is_told_in_json(integrator: AsyncClient) -> None:
    control = await integrator.get("/fhir/Patient?%07=1", headers={"Accept": XML})
    assert (control.status_code, tree(control)["resourceType"]) == (400, "OperationOutcome")
    answer = await integrator.get("/fhir/Patient?%EF%BF%BF=1", headers={"Accept": XML})
    assert answer.status_code == 400
    assert json.loads(answer.content)["resourceType"] == "OperationOutcome"


async def test_a_resource_xml_cannot_carry_is_stored_and_said_to_be(integrator: AsyncClient) -> None:
    body = {"resourceType": "Patient", "id": "x2", "name": [{"text": "HTEST \u0007"}]}
    written = await integrator.put("/fhir/Patient/x2", json=body, headers={"Accept": XML})
    assert (written.status_code, written.content) == (201, b"")
    assert (await integrator.get("/fhir/Patient/x2", headers={"Accept": XML})).status_code == 406
    assert (await integrator.get("/fhir/Patient/x2")).status_code == 200


@pytest.mark.conformance("A6")
async def test_xml_is_indented_when_asked(integrator: AsyncClient) -> None:
    await put(integrator)
    answer = await integrator.get("/fhir/Patient/x1?_format=xml&_pretty=true")
    assert b'\n  <name id="n">\n    <family value="HTEST"/>\n' in answer.content


@pytest.mark.conformance("L7")
@pytest.mark.parametrize(
    "body",
    [
        '<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/hostname">]><Patient xmlns="http://hl7.org/fhir">&x;</Patient>',
        '<Patient xmlns="http://hl7.org/fhir">' + "<contact>" * 20_000,
        "<" * 100_000,
        "\x00",
    ],
    ids=["entity", "depth", "brackets", "nul"],
)
async def test_hostile_xml_is_a_bad_request(integrator: AsyncClient, body: str) -> None:
    for address in ("/fhir/Patient", "/fhir"):
        answer = await integrator.post(address, content=body.encode(), headers=IN_XML)
        assert answer.status_code == 400
        assert tree(answer)["resourceType"] == "OperationOutcome"


async def test_long_xml_is_written_beside_the_event_loop(
    integrator: AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    threads: list[str] = []

    def dump(*given: Any, **named: Any) -> bytes:
        threads.append(threading.current_thread().name)
        return written(*given, **named)

    written = xml_writer.dump
    monkeypatch.setattr(xml_writer, "dump", dump)
    short = {"resourceType": "Patient", "name": [{"family": "HTEST"}]}
    long = {"resourceType": "Patient", "name": [{"family": f"HTEST{number}"} for number in range(1_000)]}
    for patient in (short, long):
        answer = await integrator.post("/fhir/Patient", json=patient, headers={"Accept": XML})
        assert len(tree(answer)["name"]) == len(patient["name"])
    assert threads[0] == threading.main_thread().name
    assert threads[1].startswith("aside")
