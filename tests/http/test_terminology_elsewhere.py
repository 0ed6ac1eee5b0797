"""What is not known here is asked of the site's terminology server: another instance of this service.

The other one is a process of its own that has loaded invented lists; this one knows only what ships.
"""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from code_list_files import PACKAGE_SYSTEM, package, snomed
from httpx import AsyncClient
from processes import Server, client, run, serving, token
from terminology_calls import ask, good, listed, refused, store, values

from service.settings import Settings

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("F9")]

SNOMED = "http://snomed.info/sct"
CUPS = PACKAGE_SYSTEM["url"]
SIPS = f"{SNOMED}?fhir_vs=isa/100002"
HANDLES = "https://lists.example.org/handles"
MAP = {
    "resourceType": "ConceptMap",
    "id": "cups",
    "url": "https://lists.example.org/map",
    "status": "active",
    "group": [
        {
            "source": CUPS,
            "target": "urn:y",
            "element": [{"code": "cup", "target": [{"code": "Y", "equivalence": "equal"}]}],
        }
    ],
}


@pytest.fixture(scope="module")
def remote(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Server, str]]:
    folder = tmp_path_factory.mktemp("remote")
    for files in (snomed(folder), [package(folder)]):
        run("terminology", "load", *files, "--data-dir", folder)
    signed = token(folder)
    with serving("serve", "--port", "0", "--development-issuer", "--data-dir", folder) as server:
        with client(server, signed) as http:
            http.put("/ConceptMap/cups", json=MAP).raise_for_status()
        yield server, signed.read_text().strip()


@pytest.fixture
def settings(tmp_path: Path, key_file: Path, remote: tuple[Server, str]) -> Settings:
    shutil.copy2(key_file, tmp_path)
    server, signed = remote
    return Settings(
        data_dir=tmp_path,
        development_issuer=True,
        terminology_url=f"{server.url}/fhir",
        terminology_token=signed,
        outgoing_hosts="127.0.0.1",
    )


@pytest.mark.parametrize(
    ("path", "query", "answer"),
    [
        (
            "CodeSystem/$validate-code",
            {"url": SNOMED, "code": "100002"},
            {"result": True, "display": "Slow sip"},
        ),
        ("CodeSystem/$validate-code", {"url": SNOMED, "code": "100009"}, {"result": False}),
        ("CodeSystem/$validate-code", {"url": CUPS, "code": "mug"}, {"result": True}),
        ("ValueSet/$validate-code", {"url": HANDLES, "system": CUPS, "code": "mug"}, {"result": True}),
        ("ValueSet/$validate-code", {"url": HANDLES, "system": CUPS, "code": "jar"}, {"result": False}),
        ("ValueSet/$validate-code", {"url": SIPS, "system": SNOMED, "code": "100003"}, {"result": True}),
        ("ValueSet/$validate-code", {"url": SIPS, "system": SNOMED, "code": "100004"}, {"result": False}),
        ("CodeSystem/$subsumes", {"system": CUPS, "codeA": "cup", "codeB": "mug"}, {"outcome": "subsumes"}),
        (
            "CodeSystem/$subsumes",
            {"system": SNOMED, "codeA": "100004", "codeB": "100002"},
            {"outcome": "not-subsumed"},
        ),
        ("CodeSystem/$lookup", {"system": SNOMED, "code": "100003"}, {"display": "Held sip"}),
        ("ConceptMap/$translate", {"system": CUPS, "code": "cup"}, {"result": True}),
        ("ConceptMap/$translate", {"url": MAP["url"], "system": CUPS, "code": "cup"}, {"result": True}),
        ("ConceptMap/$translate", {"system": CUPS, "code": "jar"}, {"result": False}),
    ],
)
async def test_the_answer_is_the_one_given_there(
    clinician: AsyncClient, path: str, query: dict[str, str], answer: dict[str, Any]
) -> None:
    told = values(await ask(clinician, path, **query))
    assert told.items() >= answer.items()


@pytest.mark.parametrize(
    ("path", "query"),
    [
        ("CodeSystem/$validate-code", {"url": "urn:nowhere", "code": "1"}),
        ("CodeSystem/$validate-code", {"url": SNOMED, "code": "100002:100001=100003"}),
        ("CodeSystem/$lookup", {"system": "http://loinc.org", "code": "90001-1"}),
        ("CodeSystem/$subsumes", {"system": "urn:nowhere", "codeA": "1", "codeB": "2"}),
        ("ValueSet/$validate-code", {"url": "urn:nowhere", "system": SNOMED, "code": "100002"}),
        ("ValueSet/$expand", {"url": f"{SNOMED}?fhir_vs=isa/999999"}),
    ],
)
async def test_what_neither_knows_stays_unknown(
    clinician: AsyncClient, path: str, query: dict[str, str]
) -> None:
    answer = await ask(clinician, path, **query)
    if path == "ValueSet/$expand":
        assert listed(answer) == []  # the other one knows all of it: nothing is below this code
    else:
        refused(answer, 422, "not-found")


@pytest.mark.parametrize(
    ("query", "codes"),
    [
        ({"url": HANDLES}, ["cup", "mug"]),
        ({"url": HANDLES, "valueSetVersion": "3", "filter": "MUG"}, ["mug"]),
        ({"url": SIPS, "offset": 1, "count": 1}, ["100003"]),
    ],
)
async def test_value_sets_are_expanded_there_and_filtered_here(
    clinician: AsyncClient, query: dict[str, Any], codes: list[str]
) -> None:
    assert listed(await ask(clinician, "ValueSet/$expand", **query)) == codes


async def test_stored_value_sets_are_judged_here_with_what_is_known_there(
    integrator: AsyncClient, clinician: AsyncClient
) -> None:
    rules = [
        {"property": "concept", "op": "is-a", "value": "100001"},
        {"property": "concept", "op": "is-not-a", "value": "100004"},
    ]
    tree = {
        "resourceType": "ValueSet",
        "id": "mixed",
        "url": "https://clinic.example.org/mixed",
        "status": "active",
        "compose": {"include": [{"system": SNOMED, "filter": rules}, {"valueSet": [HANDLES]}]},
    }
    await store(integrator, tree)
    for system, code, inside in (
        (SNOMED, "100002", True),
        (SNOMED, "100001", True),
        (SNOMED, "100003", False),
        (CUPS, "mug", True),
        (CUPS, "jar", False),
    ):
        query = {"url": tree["url"], "system": system, "code": code}
        assert values(await ask(clinician, "ValueSet/$validate-code", **query))["result"] is inside, code


async def test_validate_warns_of_codes_that_do_not_exist_and_writes_take_them(
    integrator: AsyncClient,
) -> None:
    codings = [{"system": SNOMED, "code": code} for code in ("100002", "100009")]
    tree = {"resourceType": "Observation", "status": "final", "code": {"coding": codings}}
    outcome = good(await integrator.post("/fhir/Observation/$validate", json=tree))
    found = [
        (one["severity"], one["expression"]) for one in outcome["issue"] if one["code"] == "code-invalid"
    ]
    assert found == [("warning", ["Observation.code.coding[1].code"])]
    assert (await integrator.post("/fhir/Observation", json=tree)).status_code == 201


async def test_without_an_answer_nothing_is_refused_and_nothing_breaks(
    integrator: AsyncClient, remote: tuple[Server, str]
) -> None:
    query = {"url": SNOMED, "code": "100001"}
    remote[0].kill()  # the last test: the other one is gone from here on
    refused(await ask(integrator, "CodeSystem/$validate-code", **query), 422, "not-found")
    refused(await ask(integrator, "ValueSet/$expand", url=HANDLES), 404, "not-found")
    translated = values(await ask(integrator, "ConceptMap/$translate", system=CUPS, code="cup"))
    assert translated["result"] is False
    known = {"system": "http://hl7.org/fhir/administrative-gender", "code": "male"}
    assert values(await ask(integrator, "CodeSystem/$lookup", **known))["display"] == "Male"
    tree = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": SNOMED, "code": "7"}]},
    }
    outcome = good(await integrator.post("/fhir/Observation/$validate", json=tree))
    assert all(one["code"] != "code-invalid" for one in outcome["issue"])
