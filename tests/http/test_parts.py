"""Parts of a resource over HTTP."""

import pytest
from httpx import AsyncClient

pytestmark = pytest.mark.anyio

PATIENT = {
    "resourceType": "Patient",
    "id": "p",
    "name": [{"family": "Probe"}],
    "maritalStatus": {"text": "M"},
}


@pytest.mark.conformance("B2")
async def test_read_and_vread_answer_a_part(integrator: AsyncClient) -> None:
    await integrator.put("/fhir/Patient/p", json=PATIENT)
    for path in ("/fhir/Patient/p", "/fhir/Patient/p/_history/1"):
        part = await integrator.get(path, params={"_summary": "true"})
        assert part.headers["etag"] == 'W/"1"'
        body = part.json()
        assert body.keys() == {"resourceType", "id", "meta", "name"}
        assert body["meta"]["tag"][0]["code"] == "SUBSETTED"
        chosen = (await integrator.get(path, params={"_elements": "maritalStatus"})).json()
        assert chosen.keys() == {"resourceType", "id", "meta", "maritalStatus"}
        whole = await integrator.get(path, params={"_summary": "false"})
        assert "tag" not in whole.json()["meta"]
        for query in ("_summary=some", "_summary=count", "_elements=,", "_summary=true&_elements=name"):
            assert (await integrator.get(f"{path}?{query}")).status_code == 400, query


@pytest.mark.conformance("B2")
async def test_a_part_cannot_replace_the_whole(integrator: AsyncClient) -> None:
    await integrator.put("/fhir/Patient/p", json=PATIENT)
    part = await integrator.get("/fhir/Patient/p?_summary=true")
    answer = await integrator.put("/fhir/Patient/p", json=part.json())
    assert answer.status_code == 400
    assert "SUBSETTED" in answer.text


@pytest.mark.conformance("G7")
async def test_parts_of_the_statement(stranger: AsyncClient) -> None:
    whole = await stranger.get("/fhir/metadata")
    short = await stranger.get("/fhir/metadata?_summary=true")
    assert len(short.content) < len(whole.content) / 2
    named = (await stranger.get("/fhir/metadata?_elements=software")).json()
    assert named["software"]["name"] == "swallow-interop"
    assert "implementation" not in named
