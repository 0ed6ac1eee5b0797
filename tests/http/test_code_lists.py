"""The terminology operations, searches and forms over code lists that a site has loaded."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from code_list_files import PACKAGE_SYSTEM, loinc, package, snomed
from httpx import AsyncClient
from terminology_calls import ask, good, listed, refused, store, values

from service.settings import Settings
from service.store.code_list_writing import load_list
from service.terminology.layouts import layout_of

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"
SIPS = f"{SNOMED}?fhir_vs=isa/100002"
CUPS = PACKAGE_SYSTEM["url"]
Load = Callable[..., None]


@pytest.fixture
def load(settings: Settings) -> Load:
    """Load a list as the command does, while the service is running."""

    def loaded(*paths: Path) -> None:
        load_list(settings.code_list_folder, layout_of(paths), NOW, lambda _: None)

    return loaded


@pytest.fixture
def snomed_loaded(load: Load, tmp_path: Path) -> None:
    load(*snomed(tmp_path))


@pytest.mark.conformance("F6")
async def test_codes_are_known_from_the_next_request_on(
    clinician: AsyncClient, load: Load, tmp_path: Path
) -> None:
    query = {"url": SNOMED, "code": "100002"}
    refused(await ask(clinician, "CodeSystem/$validate-code", **query), 422, "not-found")
    load(*snomed(tmp_path))
    answer = values(await ask(clinician, "CodeSystem/$validate-code", **query))
    assert answer == {"result": True, "display": "Slow sip"}
    assert values(await ask(clinician, "CodeSystem/$validate-code", url=SNOMED, code="1"))["result"] is False
    expression = {"url": SNOMED, "code": "100002:100001=100003"}
    refused(await ask(clinician, "CodeSystem/$validate-code", **expression), 422, "not-found")


@pytest.mark.usefixtures("snomed_loaded")
@pytest.mark.parametrize(
    ("display", "right"),
    [("Slow sip", True), ("slow  SIP of invented tea (act)", True), ("Fast sip", False)],
)
async def test_any_description_is_a_display(clinician: AsyncClient, display: str, right: bool) -> None:
    answer = values(
        await ask(clinician, "CodeSystem/$validate-code", url=SNOMED, code="100002", display=display)
    )
    assert answer["result"] is right


@pytest.mark.usefixtures("snomed_loaded")
@pytest.mark.conformance("F7")
async def test_lookup_tells_parents_children_and_descriptions(clinician: AsyncClient) -> None:
    tree = good(await ask(clinician, "CodeSystem/$lookup", system=SNOMED, code="100002"))
    told = [
        {part["name"]: next(value for key, value in part.items() if key != "name") for part in one["part"]}
        for one in tree["parameter"]
        if one["name"] == "property"
    ]
    assert {"code": "parent", "value": "100001"} in told
    assert {"code": "child", "value": "100003"} in told
    assert {"code": "inactive", "value": False} in told
    (version,) = (one["valueString"] for one in tree["parameter"] if one["name"] == "version")
    assert version.endswith("/version/20260101")
    assert sum(one["name"] == "designation" for one in tree["parameter"]) == 2


@pytest.mark.usefixtures("snomed_loaded")
@pytest.mark.conformance("F7")
@pytest.mark.parametrize(
    ("first", "second", "outcome"),
    [
        ("100001", "100003", "subsumes"),
        ("100003", "100004", "subsumed-by"),
        ("100002", "100004", "not-subsumed"),
        ("100004", "100004", "equivalent"),
    ],
)
async def test_subsumes(clinician: AsyncClient, first: str, second: str, outcome: str) -> None:
    answer = await ask(clinician, "CodeSystem/$subsumes", system=SNOMED, codeA=first, codeB=second)
    assert values(answer) == {"outcome": outcome}


@pytest.mark.usefixtures("snomed_loaded")
@pytest.mark.conformance("F5")
@pytest.mark.published("hl7.org/fhir/R4/snomedct.html, Implicit Value Sets")
@pytest.mark.parametrize(
    ("query", "codes"),
    [
        ({"url": SIPS}, ["100002", "100003"]),
        ({"url": SIPS, "filter": "CHEEK"}, []),  # the display counts, not every description
        ({"url": SIPS, "filter": "held sip"}, ["100003"]),
        ({"url": f"{SNOMED}?fhir_vs", "filter": "loud"}, ["100004"]),
        ({"url": f"{SNOMED}?fhir_vs", "activeOnly": "true"}, ["100001", "100002", "100003", "100004"]),
        ({"url": f"{SNOMED}?fhir_vs", "offset": 1, "count": 2}, ["100002", "100003"]),
    ],
)
async def test_implicit_value_sets_are_expanded(
    clinician: AsyncClient, query: dict[str, Any], codes: list[str]
) -> None:
    assert listed(await ask(clinician, "ValueSet/$expand", **query)) == codes


@pytest.mark.usefixtures("snomed_loaded")
async def test_a_stored_value_set_is_judged_over_a_loaded_list(
    integrator: AsyncClient, clinician: AsyncClient
) -> None:
    filters = [
        {"property": "concept", "op": "descendent-of", "value": "100001"},
        {"property": "concept", "op": "is-not-a", "value": "100004"},
    ]
    tree = {
        "resourceType": "ValueSet",
        "id": "sips",
        "url": "https://clinic.example.org/sips",
        "status": "active",
        "compose": {
            "include": [
                {"system": SNOMED, "filter": filters},
                {"system": "urn:x", "concept": [{"code": "x"}]},
            ],
            "exclude": [{"system": SNOMED, "concept": [{"code": "100005"}]}],
        },
    }
    await store(integrator, tree)
    assert listed(await ask(clinician, "ValueSet/$expand", url=tree["url"])) == ["100002", "x"]
    for code, inside in (("100002", True), ("100001", False), ("100003", False)):
        query = {"url": tree["url"], "system": SNOMED, "code": code}
        assert values(await ask(clinician, "ValueSet/$validate-code", **query))["result"] is inside


async def test_value_sets_of_a_package_are_known(clinician: AsyncClient, load: Load, tmp_path: Path) -> None:
    load(package(tmp_path))
    assert listed(await ask(clinician, "ValueSet/$expand", url="https://lists.example.org/handles")) == [
        "cup",
        "mug",
    ]
    terms = (await clinician.get("/fhir/metadata?mode=terminology")).json()
    (system,) = [one for one in terms["codeSystem"] if one["uri"] == CUPS]
    assert system == {"uri": CUPS, "version": [{"code": "3"}], "subsumption": True}


async def test_what_is_stored_goes_before_what_is_loaded(
    integrator: AsyncClient, load: Load, tmp_path: Path
) -> None:
    load(package(tmp_path))
    concept = [{"code": "cup", "display": "Our cup"}]
    await store(integrator, PACKAGE_SYSTEM | {"id": "cups", "concept": concept})
    answer = await ask(integrator, "CodeSystem/$lookup", system=CUPS, code="cup")
    assert values(answer)["display"] == "Our cup"


@pytest.mark.usefixtures("snomed_loaded")
@pytest.mark.conformance("D14")
async def test_searches_use_what_is_loaded(integrator: AsyncClient) -> None:
    for code in ("100003", "100004"):
        observation = {
            "resourceType": "Observation",
            "id": f"o{code}",
            "status": "final",
            "code": {"coding": [{"system": SNOMED, "code": code}]},
        }
        await store(integrator, observation)
    for query in (f"code:below={SNOMED}|100002", f"code:in={SIPS}"):
        bundle = good(await integrator.get(f"/fhir/Observation?{query}"))
        assert [one["resource"]["id"] for one in bundle["entry"]] == ["o100003"], query


async def test_loinc_is_known(clinician: AsyncClient, load: Load, tmp_path: Path) -> None:
    load(loinc(tmp_path))
    answer = await ask(clinician, "ValueSet/$expand", url=f"{LOINC}/vs", filter="rim", activeOnly="true")
    assert listed(answer) == ["90001-1"]
    query = {"url": f"{LOINC}/vs", "system": LOINC, "code": "90001-1", "display": "rim len"}
    assert values(await ask(clinician, "ValueSet/$validate-code", **query))["result"] is True
