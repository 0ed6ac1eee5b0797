"""The terminology operations over HTTP (FHIR R4 terminology-service.html)."""

from datetime import UTC, datetime
from typing import Any

import pytest
from httpx import ASGITransport, AsyncClient, Response
from r4_expansions import contained, expansions
from terminology_calls import ask, good, listed, refused, store, values

from service.app import create_app
from service.fhir.code_systems import shipped_code_system
from service.fhir.value_sets import shipped_value_set

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)

R4 = "http://hl7.org/fhir/ValueSet"
ROOT = "https://swallow-interop.example.org/fhir"
VALUE = f"{ROOT}/CodeSystem/swallow-value"
OBSERVATION = f"{ROOT}/CodeSystem/swallow-observation"
GENDER = "http://hl7.org/fhir/administrative-gender"
SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
UNLISTED = {"body-site", "condition-code", "consent-content-class", "formatcodes", "mimetypes", "ucum-units"}
TREE_SYSTEM = {
    "resourceType": "CodeSystem",
    "id": "tree",
    "url": "https://clinic.example.org/tree",
    "version": "1",
    "status": "active",
    "content": "complete",
    "caseSensitive": True,
    "concept": [
        {
            "code": "a",
            "display": "Ah",
            "definition": "The first.",
            "designation": [{"language": "de", "value": "Ach"}],
            "concept": [{"code": "b", "property": [{"code": "inactive", "valueBoolean": True}]}],
        },
        {"code": "c", "property": [{"code": "parent", "valueCode": "b"}]},
        {"code": "d"},
    ],
}
TREE_SET = {
    "resourceType": "ValueSet",
    "id": "tree",
    "url": "https://clinic.example.org/tree-set",
    "version": "1",
    "status": "active",
    "compose": {
        "include": [
            {"system": TREE_SYSTEM["url"], "filter": [{"property": "concept", "op": "is-a", "value": "a"}]},
            {"valueSet": [f"{R4}/administrative-gender"]},
        ],
        "exclude": [{"system": GENDER, "concept": [{"code": "unknown"}]}],
    },
}


@pytest.mark.conformance("F5")
@pytest.mark.published("hl7.fhir.r4.expansions 4.0.1")
async def test_expansions_are_the_official_ones(clinician: AsyncClient, tell: Any) -> None:
    sets = codes = 0
    for url, tree in expansions().items():
        if shipped_value_set(url) is None or url.rpartition("/")[2] in UNLISTED:
            continue
        answer = await ask(clinician, "ValueSet/$expand", url=url)
        expansion = answer.json()["expansion"]
        official = set(contained(tree["expansion"].get("contains", [])))
        assert set(contained(expansion.get("contains", []))) == official, url
        assert expansion["total"] == len(official), url
        sets, codes = sets + 1, codes + len(official)
    assert sets >= 470
    tell(f"$expand: {sets} value sets of {codes} codes equal to the official expansions")


@pytest.mark.conformance("F5")
@pytest.mark.parametrize(
    ("query", "codes"),
    [
        ({}, ["a", "b", "c", "male", "female", "other"]),
        ({"filter": "MALE"}, ["male", "female"]),
        ({"filter": "ah"}, ["a"]),
        ({"offset": 1, "count": 2}, ["b", "c"]),
        ({"offset": 5}, ["other"]),
        ({"count": 0}, []),
        ({"activeOnly": "true"}, ["a", "c", "male", "female", "other"]),
        ({"exclude-system": f"{GENDER}|4.0.1"}, ["a", "b", "c"]),
        ({"valueSetVersion": "1", "excludeNested": "true", "count": 1}, ["a"]),
    ],
)
async def test_a_stored_value_set_is_expanded(
    integrator: AsyncClient, query: dict[str, Any], codes: list[str]
) -> None:
    await store(integrator, TREE_SYSTEM, TREE_SET)
    by_url = await ask(integrator, "ValueSet/$expand", url=TREE_SET["url"], **query)
    assert listed(by_url) == codes
    expansion = by_url.json()["expansion"]
    narrowed = {"filter", "activeOnly", "exclude-system"} & query.keys()
    assert expansion["total"] == (len(codes) if narrowed else 6)
    assert expansion["offset"] == query.get("offset", 0)
    assert expansion["identifier"].startswith("urn:uuid:")
    assert expansion["timestamp"] == "2026-06-01T09:00:00.000Z"
    used = {one["name"] for one in expansion.get("parameter", [])} - {"version"}
    assert used == query.keys() - {"valueSetVersion"}
    query.pop("valueSetVersion", None)
    assert listed(await ask(integrator, "ValueSet/tree/$expand", **query)) == codes


@pytest.mark.conformance("F5")
async def test_what_an_expansion_shows(integrator: AsyncClient) -> None:
    await store(integrator, TREE_SYSTEM, TREE_SET)
    query = {"includeDesignations": "true", "displayLanguage": "de", "includeDefinition": "true"}
    answer = good(await ask(integrator, "ValueSet/$expand", url=TREE_SET["url"], **query))
    first, second, *_ = answer["expansion"]["contains"]
    assert first == {
        "system": TREE_SYSTEM["url"],
        "code": "a",
        "display": "Ach",
        "designation": [{"language": "de", "value": "Ach"}],
    }
    assert second["inactive"] is True
    assert answer["compose"] == TREE_SET["compose"]
    versions = [one["valueUri"] for one in answer["expansion"]["parameter"] if one["name"] == "version"]
    assert versions == [f"{TREE_SYSTEM['url']}|1", f"{GENDER}|4.0.1"]
    plain = good(await ask(integrator, "ValueSet/$expand", url=TREE_SET["url"]))
    assert "compose" not in plain
    assert plain["expansion"]["contains"][0]["display"] == "Ah"


@pytest.mark.conformance("F5")
async def test_a_value_set_sent_along_is_expanded_in_parameters_and_on_its_own(
    clinician: AsyncClient,
) -> None:
    sent = {
        "resourceType": "ValueSet",
        "status": "draft",
        "compose": {
            "include": [{"valueSet": [f"{ROOT}/ValueSet/residue", f"{ROOT}/ValueSet/entry-response"]}]
        },
    }
    answer = await ask(clinician, "ValueSet/$expand", {"name": "valueSet", "resource": sent})
    assert listed(answer) == ["none"], "several value sets in one include mean what they have in common"
    assert listed(await clinician.post("/fhir/ValueSet/$expand", json=sent)) == ["none"]
    xml = await clinician.post("/fhir/ValueSet/$expand?_format=xml", json=sent)
    assert '<code value="none"/>' in xml.text


@pytest.mark.conformance("F5")
async def test_our_own_value_sets_are_expanded_by_id_and_url(clinician: AsyncClient) -> None:
    by_id = await ask(clinician, "ValueSet/cue-level/$expand")
    assert listed(by_id) == ["independent", "minimal-cues", "moderate-cues", "maximal-cues", "hand-over-hand"]
    assert by_id.json()["expansion"]["contains"][0]["display"] == "Independent"
    assert listed(await ask(clinician, "ValueSet/$expand", url=f"{ROOT}/ValueSet/cue-level")) == listed(by_id)


@pytest.mark.conformance("F5", "F9")
@pytest.mark.parametrize(
    ("name", "code", "words"),
    [
        ("ucum-units", "too-costly", "can't be written out"),
        ("all-languages", "too-costly", "can't be written out"),
        ("body-site", "not-found", SNOMED),
        ("formatcodes", "not-found", "IHE.FormatCode"),
    ],
)
async def test_what_cannot_be_listed_says_so(
    clinician: AsyncClient, name: str, code: str, words: str
) -> None:
    answer = await ask(clinician, "ValueSet/$expand", url=f"{R4}/{name}")
    assert words in refused(answer, 422, code)


@pytest.mark.conformance("F5")
async def test_more_codes_than_one_answer_has_are_paged(integrator: AsyncClient) -> None:
    many = TREE_SYSTEM | {"concept": [{"code": str(n)} for n in range(10_001)]}
    sent = {"resourceType": "ValueSet", "status": "draft", "compose": {"include": [{"system": many["url"]}]}}
    answer = await integrator.put("/fhir/CodeSystem/tree", json=many)
    assert answer.is_success
    whole = await integrator.post("/fhir/ValueSet/$expand", json=sent)
    assert "10001 codes" in refused(whole, 422, "too-costly")
    page = await integrator.post("/fhir/ValueSet/$expand?offset=9999&count=5", json=sent)
    assert listed(page) == ["9999", "10000"]
    often = sent | {"compose": {"include": [{"system": many["url"]}] * 11}}
    assert "100000 concepts" in refused(
        await integrator.post("/fhir/ValueSet/$expand?count=1", json=often), 422, "too-costly"
    )


@pytest.mark.conformance("F5")
async def test_only_so_many_definitions_are_read_for_one_answer(clinician: AsyncClient) -> None:
    include = [{"system": f"urn:s:{n}", "concept": [{"code": "x"}]} for n in range(150)]
    sent = {"resourceType": "ValueSet", "status": "draft", "compose": {"include": include}}
    answer = await clinician.post("/fhir/ValueSet/$expand", json=sent)
    assert "More than 100" in refused(answer, 422, "too-costly")


@pytest.mark.conformance("F5")
async def test_a_set_that_is_part_of_itself_ends(integrator: AsyncClient) -> None:
    round_ = {
        "resourceType": "ValueSet",
        "id": "round",
        "url": "https://clinic.example.org/round",
        "status": "active",
        "compose": {"include": [{"valueSet": ["https://clinic.example.org/round"]}]},
    }
    await store(integrator, round_)
    answer = await ask(integrator, "ValueSet/round/$expand")
    assert answer.status_code == 422
    answer = await ask(integrator, "ValueSet/round/$validate-code", system="urn:x", code="y")
    assert answer.status_code == 422


@pytest.mark.conformance("F5", "F6")
async def test_the_newest_active_version_is_taken_unless_another_is_named(integrator: AsyncClient) -> None:
    def version(id_: str, number: str, status: str, code: str) -> dict[str, Any]:
        include = [{"system": "urn:x", "concept": [{"code": code}]}]
        more = {"version": number, "status": status, "compose": {"include": include}}
        return {"resourceType": "ValueSet", "id": id_, "url": "https://clinic.example.org/v"} | more

    await store(
        integrator,
        version("one", "1", "active", "one"),
        version("two", "2", "active", "two"),
        version("three", "3", "draft", "three"),
    )
    url = "https://clinic.example.org/v"
    assert listed(await ask(integrator, "ValueSet/$expand", url=url)) == ["two"]
    assert listed(await ask(integrator, "ValueSet/$expand", url=f"{url}|1")) == ["one"]
    assert listed(await ask(integrator, "ValueSet/$expand", url=url, valueSetVersion="3")) == ["three"]
    refused(await ask(integrator, "ValueSet/$expand", url=f"{url}|4"), 404, "not-found")


@pytest.mark.conformance("F5", "F6", "F7", "F8")
@pytest.mark.parametrize(
    ("path", "query", "status", "code"),
    [
        ("ValueSet/$expand", {}, 400, "required"),
        ("ValueSet/$expand", {"url": "https://nowhere.example/vs"}, 404, "not-found"),
        ("ValueSet/no-such/$expand", {}, 404, "not-found"),
        ("ValueSet/$expand", {"url": f"{R4}/link-type", "count": "-1"}, 400, "invalid"),
        ("ValueSet/$expand", {"url": f"{R4}/link-type", "count": "many"}, 400, "invalid"),
        ("ValueSet/$expand", {"url": f"{R4}/link-type", "context": "x"}, 400, "invalid"),
        ("ValueSet/$validate-code", {"url": f"{R4}/link-type"}, 400, "required"),
        ("CodeSystem/$validate-code", {"code": "x"}, 400, "required"),
        ("CodeSystem/$lookup", {"code": "x"}, 400, "required"),
        ("CodeSystem/$lookup", {"code": "x", "system": GENDER}, 404, "not-found"),
        ("CodeSystem/$subsumes", {"codeA": "x", "system": GENDER}, 400, "required"),
        ("CodeSystem/$subsumes", {"codeA": "x", "codeB": "y"}, 400, "required"),
        ("CodeSystem/$subsumes", {"codeA": "male", "codeB": "y", "system": GENDER}, 404, "not-found"),
        ("ConceptMap/$translate", {"code": "x", "url": "https://nowhere.example"}, 404, "not-found"),
        ("ConceptMap/$translate", {"url": "https://nowhere.example"}, 400, "required"),
    ],
)
async def test_what_cannot_be_asked_is_refused(
    clinician: AsyncClient, path: str, query: dict[str, str], status: int, code: str
) -> None:
    refused(await ask(clinician, path, **query), status, code)


@pytest.mark.conformance("F6")
@pytest.mark.parametrize(
    ("query", "result", "words"),
    [
        ({"code": "male", "system": GENDER}, True, ""),
        ({"code": "male"}, True, ""),
        ({"code": "Male", "system": GENDER}, False, "administrative-gender"),
        ({"code": "male", "system": "urn:other"}, False, "administrative-gender"),
        ({"code": "male", "system": GENDER, "display": "MALE"}, True, ""),
        ({"code": "male", "system": GENDER, "display": "Man"}, False, "'Male'"),
    ],
)
async def test_a_code_is_checked_against_a_value_set(
    clinician: AsyncClient, query: dict[str, str], result: bool, words: str
) -> None:
    url = f"{R4}/administrative-gender"
    said = values(await ask(clinician, "ValueSet/$validate-code", url=url, **query))
    assert said["result"] is result
    assert words in said.get("message", "")
    assert ("message" in said) is not result
    assert said.get("display") == ("Male" if (result and "system" in query) or words == "'Male'" else None)


@pytest.mark.conformance("F6")
async def test_codings_and_concepts_are_checked(integrator: AsyncClient) -> None:
    await store(integrator, TREE_SYSTEM, TREE_SET)
    right = {"system": TREE_SYSTEM["url"], "code": "c"}
    wrong = {"system": TREE_SYSTEM["url"], "code": "d"}
    unknown = {"system": SNOMED, "code": "1234567"}
    path = "ValueSet/tree/$validate-code"
    for codings, result in (([wrong, right], True), ([wrong], False), ([wrong, unknown], False)):
        concept = {"name": "codeableConcept", "valueCodeableConcept": {"coding": codings}}
        assert values(await ask(integrator, path, concept))["result"] is result
    assert values(await ask(integrator, path, {"name": "coding", "valueCoding": right}))["result"]
    of_system = await ask(integrator, "CodeSystem/$validate-code", {"name": "coding", "valueCoding": wrong})
    assert values(of_system)["result"], "not in the set, but of the system"
    text_only = {"name": "codeableConcept", "valueCodeableConcept": {"text": "words"}}
    refused(await ask(integrator, path, text_only), 400, "required")


@pytest.mark.conformance("F6")
@pytest.mark.parametrize(
    ("path", "query", "result"),
    [
        ("CodeSystem/$validate-code", {"url": GENDER, "code": "male"}, True),
        ("CodeSystem/$validate-code", {"url": GENDER, "code": "man"}, False),
        ("CodeSystem/$validate-code", {"url": UCUM, "code": "mm[Hg]"}, True),
        ("CodeSystem/$validate-code", {"url": UCUM, "code": "mmHg"}, False),
        ("CodeSystem/$validate-code", {"url": SNOMED, "code": "30976009"}, True),
        ("CodeSystem/swallow-value/$validate-code", {"code": "closed"}, True),
        ("CodeSystem/swallow-value/$validate-code", {"code": "shut"}, False),
        (
            "CodeSystem/$validate-code",
            {"url": "http://terminology.hl7.org/CodeSystem/v2-0203", "code": "mr"},
            True,
        ),
    ],
)
async def test_a_code_is_checked_against_a_code_system(
    clinician: AsyncClient, path: str, query: dict[str, str], result: bool
) -> None:
    assert values(await ask(clinician, path, **query))["result"] is result


@pytest.mark.conformance("F6")
async def test_a_code_that_only_groups_others_counts_if_asked_for(clinician: AsyncClient) -> None:
    query = {"url": f"{R4}/item-type", "code": "question", "system": "http://hl7.org/fhir/item-type"}
    assert values(await ask(clinician, "ValueSet/$validate-code", **query))["result"] is False
    assert values(await ask(clinician, "ValueSet/$validate-code", **query, abstract="true"))["result"] is True


@pytest.mark.conformance("F9")
@pytest.mark.parametrize(
    ("path", "query"),
    [
        ("ValueSet/$validate-code", {"url": f"{R4}/body-site", "system": SNOMED, "code": "71341001"}),
        ("ValueSet/$validate-code", {"url": f"{R4}/formatcodes", "code": "urn:ihe:pcc:xphr:2007"}),
        ("CodeSystem/$validate-code", {"url": SNOMED, "code": "71341001"}),
        ("CodeSystem/$validate-code", {"url": LOINC, "code": "8310-5"}),
        ("CodeSystem/$validate-code", {"url": "https://nowhere.example/cs", "code": "x"}),
        ("CodeSystem/$lookup", {"system": LOINC, "code": "8310-5"}),
        ("CodeSystem/$subsumes", {"system": LOINC, "codeA": "8310-5", "codeB": "8480-6"}),
        ("CodeSystem/$subsumes", {"system": SNOMED, "codeA": "30976009", "codeB": "54731003"}),
    ],
)
async def test_content_that_is_not_here_is_unknown_and_never_false(
    clinician: AsyncClient, path: str, query: dict[str, str]
) -> None:
    words = refused(await ask(clinician, path, **query), 422, "not-found")
    assert "not here" in words or "can't be told" in words or "not all here" in words


@pytest.mark.conformance("F7")
async def test_what_is_known_of_a_code(integrator: AsyncClient) -> None:
    await store(integrator, TREE_SYSTEM)
    answer = good(await ask(integrator, "CodeSystem/$lookup", system=TREE_SYSTEM["url"], code="a"))
    assert answer["parameter"] == [
        {"name": "name", "valueString": TREE_SYSTEM["url"]},
        {"name": "version", "valueString": "1"},
        {"name": "display", "valueString": "Ah"},
        {
            "name": "designation",
            "part": [{"name": "language", "valueCode": "de"}, {"name": "value", "valueString": "Ach"}],
        },
        *(
            {"name": "property", "part": [{"name": "code", "valueCode": name}, {"name": "value", **value}]}
            for name, value in (
                ("definition", {"valueString": "The first."}),
                ("inactive", {"valueBoolean": False}),
                ("child", {"valueCode": "b"}),
            )
        ),
    ]
    coding = {"name": "coding", "valueCoding": {"system": TREE_SYSTEM["url"], "code": "c"}}
    only = good(await ask(integrator, "CodeSystem/$lookup", coding, property="parent"))
    assert [one["part"][1]["valueCode"] for one in only["parameter"] if one["name"] == "property"] == ["b"]
    query = {"system": TREE_SYSTEM["url"], "code": "a", "displayLanguage": "de"}
    assert values(await ask(integrator, "CodeSystem/$lookup", **query))["display"] == "Ach"


@pytest.mark.conformance("F7")
async def test_our_own_codes_tell_how_sure_we_are(clinician: AsyncClient) -> None:
    answer = good(await ask(clinician, "CodeSystem/$lookup", system=VALUE, code="trace"))
    told = {
        one["part"][0]["valueCode"]: next(iter(set(one["part"][1].values()) - {"value"}))
        for one in answer["parameter"]
        if one["name"] == "property"
    }
    assert told == {
        "definition": "A coating.",
        "inactive": False,
        "mark": "local",
        "source": "swallow-interop",
        "licence": "open",
    }
    said = values(await ask(clinician, "CodeSystem/$lookup", system=SNOMED, code="30976009"))
    assert said["display"] == "Vocal fold adduction, function (observable entity)"
    assert "version" not in said, "a list of codes is no edition"
    assert values(await ask(clinician, "CodeSystem/$lookup", system=UCUM, code="kg"))["display"] == "kg"


@pytest.mark.conformance("F7")
@pytest.mark.published("FHIR R4 codesystem-operation-subsumes.html: the four outcomes")
@pytest.mark.parametrize(
    ("first", "second", "outcome"),
    [
        ("a", "a", "equivalent"),
        ("a", "b", "subsumes"),
        ("a", "c", "subsumes"),
        ("c", "a", "subsumed-by"),
        ("a", "d", "not-subsumed"),
    ],
)
async def test_codes_are_compared(integrator: AsyncClient, first: str, second: str, outcome: str) -> None:
    await store(integrator, TREE_SYSTEM)
    url = TREE_SYSTEM["url"]
    by_codes = {"system": url, "codeA": first, "codeB": second}
    assert values(await ask(integrator, "CodeSystem/$subsumes", **by_codes)) == {"outcome": outcome}
    by_id = {"codeA": first, "codeB": second}
    assert values(await ask(integrator, "CodeSystem/tree/$subsumes", **by_id)) == {"outcome": outcome}
    codings = (
        {"name": name, "valueCoding": {"system": url, "code": code}}
        for name, code in (("codingA", first), ("codingB", second))
    )
    assert values(await ask(integrator, "CodeSystem/$subsumes", *codings)) == {"outcome": outcome}


def matches(answer: Response) -> list[tuple[str, str]]:
    found = [one["part"] for one in good(answer)["parameter"] if one["name"] == "match"]
    return [(parts[0]["valueCode"], parts[1]["valueCoding"]["code"]) for parts in found]


@pytest.mark.conformance("F8")
async def test_our_codes_are_translated_both_ways(clinician: AsyncClient) -> None:
    query = {"system": OBSERVATION, "code": "endoscopic-swallow-study"}
    both = [("equivalent", "311834001"), ("wider", "386053000")]
    assert matches(await ask(clinician, "ConceptMap/$translate", **query)) == both
    url = f"{ROOT}/ConceptMap/swallow-observation-to-standard"
    answer = await ask(clinician, "ConceptMap/$translate", **query, url=url, targetsystem=SNOMED)
    assert matches(answer) == both
    assert values(answer)["result"] is True
    elsewhere = await ask(clinician, "ConceptMap/$translate", **query, targetsystem=LOINC)
    assert values(elsewhere)["result"] is False
    assert values(elsewhere)["message"]
    back = {"system": SNOMED, "code": "52052004", "reverse": "true"}
    assert matches(await ask(clinician, "ConceptMap/$translate", **back)) == [
        ("narrower", "swallow-skill-training")
    ]
    path = "ConceptMap/swallow-value-to-standard/$translate"
    coding = {"name": "coding", "valueCoding": {"system": VALUE, "code": "iddsi-0"}}
    assert matches(await ask(clinician, path, coding)) == [("equivalent", "1231508001")]


MAP = {
    "resourceType": "ConceptMap",
    "id": "map",
    "url": "https://clinic.example.org/map",
    "status": "active",
    "sourceUri": "https://clinic.example.org/from",
    "targetUri": "https://clinic.example.org/to",
    "group": [
        {
            "source": "urn:from",
            "target": "urn:to",
            "element": [
                {"code": "a", "target": [{"code": "A", "display": "Ah", "equivalence": "equal"}]},
                {"code": "n", "target": [{"equivalence": "unmatched"}]},
            ],
            "unmapped": {"mode": "fixed", "code": "other", "display": "Other"},
        },
        {
            "source": "urn:same",
            "target": "urn:to",
            "element": [{"code": "z"}],
            "unmapped": {"mode": "provided"},
        },
    ],
}


@pytest.mark.conformance("F8")
@pytest.mark.parametrize(
    ("query", "result", "concept"),
    [
        ({"system": "urn:from", "code": "a"}, True, {"system": "urn:to", "code": "A", "display": "Ah"}),
        ({"system": "urn:from", "code": "n"}, False, None),
        (
            {"system": "urn:from", "code": "q"},
            True,
            {"system": "urn:to", "code": "other", "display": "Other"},
        ),
        ({"system": "urn:same", "code": "q"}, True, {"system": "urn:to", "code": "q"}),
        ({"system": "urn:to", "code": "A", "reverse": "true"}, True, {"system": "urn:from", "code": "a"}),
        ({"system": "urn:from", "code": "a", "target": "https://clinic.example.org/to"}, True, None),
        ({"system": "urn:from", "code": "a", "targetsystem": "urn:else"}, False, None),
    ],
)
async def test_a_stored_concept_map_translates(
    integrator: AsyncClient, query: dict[str, str], result: bool, concept: dict[str, str] | None
) -> None:
    await store(integrator, MAP)
    answer = await ask(integrator, "ConceptMap/$translate", url=MAP["url"], **query)
    assert values(answer)["result"] is result
    found = [
        part["valueCoding"]
        for one in answer.json()["parameter"]
        if one["name"] == "match"
        for part in one["part"]
        if part["name"] == "concept"
    ]
    assert concept is None or found == [concept]
    by_id = await ask(integrator, "ConceptMap/map/$translate", **query)
    assert by_id.json() == answer.json()
    sent = {"name": "conceptMap", "resource": MAP}
    assert (await ask(integrator, "ConceptMap/$translate", sent, **query)).json() == answer.json()


@pytest.mark.conformance("F8")
async def test_value_sets_that_are_not_the_maps_make_no_match(integrator: AsyncClient) -> None:
    await store(integrator, MAP)
    query = {"system": "urn:from", "code": "a", "target": "https://clinic.example.org/from"}
    assert values(await ask(integrator, "ConceptMap/map/$translate", **query))["result"] is False
    back = {"system": "urn:to", "code": "A", "reverse": "true", "target": "https://clinic.example.org/from"}
    assert values(await ask(integrator, "ConceptMap/map/$translate", **back))["result"] is True


@pytest.mark.conformance("F8")
async def test_without_a_map_all_that_map_the_code_are_looked_at(integrator: AsyncClient) -> None:
    await store(
        integrator, MAP, MAP | {"id": "draft", "url": "https://clinic.example.org/draft", "status": "draft"}
    )
    forwards = {"system": "urn:from", "code": "a"}
    assert matches(await ask(integrator, "ConceptMap/$translate", **forwards)) == [("equal", "A")]
    back = {"system": "urn:to", "code": "A", "reverse": "true"}
    assert matches(await ask(integrator, "ConceptMap/$translate", **back)) == [("equal", "a")]


@pytest.mark.conformance("F10")
async def test_the_terminology_capabilities(stranger: AsyncClient) -> None:
    answer = good(await stranger.get("/fhir/metadata?mode=terminology"))
    assert answer["resourceType"] == "TerminologyCapabilities"
    systems = {one["uri"]: one for one in answer["codeSystem"]}
    assert {GENDER, VALUE, SNOMED, UCUM, "urn:ietf:bcp:47"} <= systems.keys()
    assert systems[GENDER]["version"] == [{"code": "4.0.1"}]
    assert "version" not in systems[SNOMED], "what is known of it is no edition"
    assert {"filter", "count", "offset"} <= {one["name"] for one in answer["expansion"]["parameter"]}
    plain = good(await stranger.get("/fhir/metadata"))
    assert plain["resourceType"] == "CapabilityStatement"
    offered = {
        (one["type"], operation["name"])
        for one in plain["rest"][0]["resource"]
        for operation in one.get("operation", [])
    }
    assert {
        *(("ValueSet", name) for name in ("expand", "validate-code")),
        *(("CodeSystem", name) for name in ("lookup", "validate-code", "subsumes")),
        ("ConceptMap", "translate"),
    } <= offered


@pytest.mark.conformance("F5", "F7")
async def test_our_own_terminology_is_read_and_not_written(integrator: AsyncClient) -> None:
    for name in (
        "CodeSystem/swallow-value",
        "ValueSet/residue",
        "ConceptMap/swallow-value-to-standard",
        "NamingSystem/swallow-value",
    ):
        answer = await integrator.get(f"/fhir/{name}")
        tree = good(answer)
        assert f"{tree['resourceType']}/{tree['id']}" == name
        assert answer.headers["etag"]
        assert (await integrator.put(f"/fhir/{name}", json=tree)).status_code == 409


async def test_codes_that_need_a_licence_are_not_shown_under_the_setting_gps(
    settings: Any, sign: Any
) -> None:
    app = create_app(settings.model_copy(update={"snomed": "gps"}), clock=lambda: NOW)
    headers = {"Authorization": f"Bearer {sign('user/*.rs')}"}
    async with (
        app.router.lifespan_context(app),
        AsyncClient(transport=ASGITransport(app), base_url="http://test", headers=headers) as client,
    ):
        query = {"system": OBSERVATION, "code": "endoscopic-swallow-study"}
        assert matches(await ask(client, "ConceptMap/$translate", **query)) == [("wider", "386053000")]
        refused(await ask(client, "CodeSystem/$lookup", system=SNOMED, code="311834001"), 422, "not-found")
        for name in ("CodeSystem/snomed-ct", "ConceptMap/swallow-observation-to-standard"):
            assert "311834001" not in (await client.get(f"/fhir/{name}")).text


async def test_the_operations_need_the_right_to_read(client_of: Any) -> None:
    answer = await ask(client_of("researcher"), "ValueSet/$expand", url=f"{R4}/link-type")
    refused(answer, 403, "forbidden")


async def test_a_stored_code_system_gives_what_does_not_ship(integrator: AsyncClient) -> None:
    fragment = TREE_SYSTEM | {"url": LOINC, "concept": [{"code": "8310-5", "display": "Body temperature"}]}
    query = {"system": LOINC, "code": "8310-5"}
    refused(await ask(integrator, "CodeSystem/$lookup", **query), 422, "not-found")
    await store(integrator, fragment)
    assert values(await ask(integrator, "CodeSystem/$lookup", **query))["display"] == "Body temperature"
    assert shipped_code_system(LOINC) is not None, "what ships of it only supplements it"
