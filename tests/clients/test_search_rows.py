"""Searches as a caller sends them, each with what it must find (FHIR R4 search.html)."""

import httpx
import pytest
from invented import HTEST

UCUM, LOINC, LOCAL = "http://unitsofmeasure.org", "http://loinc.org", "urn:test:codes"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
VALUE_SET = "http://hl7.org/fhir/ValueSet/administrative-gender"


def quantity(value, unit, **more):
    return {"value": value, "unit": unit, "system": UCUM, "code": unit, **more}


def observation(id_, code, day=None, **more):
    tree = {
        "resourceType": "Observation",
        "id": id_,
        "meta": HTEST,
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": code, "display": f"Display of {code}"}]},
        "subject": {"reference": "Patient/p1"},
        "performer": [{"reference": "Practitioner/d1"}],
    }
    return tree | ({"effectiveDateTime": day} if day else {}) | more


def pressure(id_, systolic, diastolic):
    parts = (("8480-6", systolic), ("8462-4", diastolic))
    component = [
        {"code": {"coding": [{"system": LOINC, "code": code}]}, "valueQuantity": quantity(value, "mm[Hg]")}
        for code, value in parts
    ]
    return observation(id_, "85354-9", "2026-02-01T08:00:00Z", component=component)


def patient(id_, family, meta=HTEST, **more):
    return {"resourceType": "Patient", "id": id_, "meta": meta, "name": [{"family": family}], **more}


def of(type_, id_, **more):
    return {"resourceType": type_, "id": id_, "meta": HTEST, **more}


def coded(system, code):
    return {"coding": [{"system": system, "code": code}]}


P1 = {"reference": "Patient/p1"}
RESOURCES = [
    of("Organization", "g1", name="Clinic"),
    of("Practitioner", "d1", name=[{"family": "Doctor"}]),
    patient(
        "p1",
        "Müller",
        gender="female",
        birthDate="1950-05",
        generalPractitioner=[{"reference": "Practitioner/d1"}],
        managingOrganization={"reference": "Organization/g1"},
        identifier=[
            {
                "system": "urn:a",
                "value": "1|2",
                "type": coded("http://terminology.hl7.org/CodeSystem/v2-0203", "MR"),
            }
        ],
    ),
    patient("p2", "Muller-Berg", gender="male", identifier=[{"value": "bare"}]),
    patient("p3", "Ott", meta=HTEST | {"tag": [{"system": "urn:tags", "code": "red"}]}),
    observation("q100", "1-8", "2026-01-10", valueQuantity=quantity(100, "mg")),
    observation("q100.4", "1-8", "2026-01-11", valueQuantity=quantity(100.4, "mg")),
    observation("q0.1g", "1-8", "2026-01-12", valueQuantity=quantity(0.1, "g")),
    observation("q101", "1-8", "2026-01-13", valueQuantity=quantity(101, "mg")),
    observation("q1kg", "1-8", "2026-01-14", valueQuantity=quantity(1, "kg")),
    observation("plain", "2-6", category=[coded(CATEGORY, "survey")], status="amended"),
    observation("text", "3-4") | {"code": {"text": "Swallowing effort"}},
    observation("period", "4-2", effectivePeriod={"start": "2026-01-20"}, category=[coded(CATEGORY, "exam")]),
    observation("logical", "5-9", focus=[{"identifier": {"system": "urn:f", "value": "7"}}]),
    pressure("high", 160, 90),
    pressure("swapped", 90, 160),
    of(
        "Encounter",
        "e1",
        status="finished",
        **{"class": {"system": LOCAL, "code": "AMB"}},
        subject=P1,
        period={"start": "2026-02-01T08:00:00Z", "end": "2026-02-01T09:00:00Z"},
    ),
    of("Condition", "c1", subject=P1, code=coded(LOCAL, "dysphagia")),
    of(
        "Goal",
        "t1",
        lifecycleStatus="active",
        description={"text": "x"},
        subject=P1,
        target=[{"dueDate": "2026-06-01"}],
    ),
    of("CarePlan", "k1", status="active", intent="plan", subject=P1, category=[coded(LOCAL, "assess-plan")]),
    of(
        "ServiceRequest",
        "s1",
        status="active",
        intent="plan",
        subject=P1,
        code=coded(LOCAL, "exercise"),
        category=[coded(LOCAL, "therapy")],
    ),
    of("Procedure", "m1", status="completed", subject=P1, performedDateTime="2026-02-01"),
    of(
        "DiagnosticReport",
        "r1",
        status="final",
        code=coded(LOCAL, "study"),
        category=[coded(LOCAL, "swallow")],
        subject=P1,
        effectiveDateTime="2026-02-01",
    ),
    of("Questionnaire", "n1", status="active", url="http://example.org/forms/one", version="2"),
    of("Questionnaire", "n2", status="active", url="http://example.org/forms/one/more"),
    of(
        "QuestionnaireResponse",
        "a1",
        status="completed",
        subject=P1,
        questionnaire="http://example.org/forms/one|2",
    ),
]
CASES = [
    # quantities: the precision they are written with, prefixes, units
    ("D16", "Observation?value-quantity=100|http://unitsofmeasure.org|mg", "q100 q100.4 q0.1g"),
    ("D16", "Observation?value-quantity=100.0||mg", "q100"),
    ("D16", "Observation?value-quantity=gt100||mg", "q100.4 q101"),
    ("D16", "Observation?value-quantity=gt100|http://unitsofmeasure.org|mg", "q100.4 q101 q1kg"),
    ("D16", "Observation?value-quantity=le100|http://unitsofmeasure.org|mg", "q100 q0.1g"),
    ("D16", "Observation?value-quantity=0.0001|http://unitsofmeasure.org|kg", "q100 q100.4 q0.1g q101"),
    ("D16", "Observation?value-quantity=ge1|http://unitsofmeasure.org|kg", "q1kg"),
    # composites: both parts of the same component
    ("D18", "Observation?component-code-value-quantity=8480-6$gt120", "high"),
    ("D18", "Observation?component-code-value-quantity=http://loinc.org|8462-4$gt120", "swapped"),
    ("D18", "Observation?code-value-quantity=1-8$ge101", "q101"),
    # tokens
    ("D13", "Patient?identifier=urn:a|1\\|2", "p1"),
    ("D13", "Patient?identifier=|bare", "p2"),
    ("D13", "Patient?identifier=urn:a|", "p1"),
    ("D14", "Patient?gender:not=female", "p2 p3"),
    ("D14", "Observation?code:text=swallowing", "text"),
    ("D14", "Patient?identifier:of-type=http://terminology.hl7.org/CodeSystem/v2-0203|MR|1\\|2", "p1"),
    # strings
    ("D12", "Patient?family=muller", "p1 p2"),
    ("D12", "Patient?family:exact=Müller", "p1"),
    ("D12", "Patient?family:contains=BERG", "p2"),
    # dates
    ("D11", "Patient?birthdate=1950", "p1"),
    ("D11", "Patient?birthdate=gt1950-04", "p1"),
    ("D11", "Patient?birthdate=1950-05-02", ""),
    ("D11", "Observation?code=4-2&date=ge2030", "period"),
    ("D11", "Observation?code=4-2&date=2026-01", ""),
    ("D11", "Observation?code=1-8&date=ge2026-01-12&date=lt2026-01-14", "q0.1g q101"),
    # uris and canonicals
    ("D17", "Questionnaire?url=http://example.org/forms/one", "n1"),
    ("D17", "Questionnaire?url:below=http://example.org/forms/one", "n1 n2"),
    ("D17", "Questionnaire?url:above=http://example.org/forms/one/more/still", "n1 n2"),
    ("D15", "QuestionnaireResponse?questionnaire=http://example.org/forms/one|2", "a1"),
    ("D15", "QuestionnaireResponse?questionnaire=http://example.org/forms/one", "a1"),
    ("D15", "QuestionnaireResponse?questionnaire=http://example.org/forms/one|3", ""),
    ("D15", "Encounter?subject:Patient=p1", "e1"),
    ("D15", "Encounter?patient=Patient/p1", "e1"),
    ("D15", "Observation?focus:identifier=urn:f|7", "logical"),
    # what is missing
    ("D19", "Patient?gender:missing=true", "p3"),
    ("D19", "Patient?birthdate:missing=false", "p1"),
    ("D19", "Observation?date:missing=true", "plain text logical"),
    ("D19", "Observation?value-quantity:missing=false", "q100 q100.4 q0.1g q101 q1kg"),
    ("D19", "Patient?general-practitioner:missing=true", "p2 p3"),
    # chains
    ("D20", "Encounter?patient.family=muller", "e1"),
    ("D20", "Encounter?subject:Patient.general-practitioner:Practitioner.family=doctor", "e1"),
    ("D20", "Encounter?patient.family=muller&patient.gender=male", ""),
    ("D21", "Patient?_has:Observation:patient:code=2-6", "p1"),
    ("D21", "Practitioner?_has:Patient:general-practitioner:_has:Observation:patient:code=2-6", "d1"),
    ("D21", "Encounter?patient._has:Observation:patient:code=2-6", "e1"),
    # what every type has
    ("D26", "Patient?_id=p1,p3", "p1 p3"),
    ("D26", "Patient?_tag=urn:tags|red", "p3"),
    ("D26", "Patient?_lastUpdated=gt2020-01-01&_id=p1", "p1"),
    ("D26", "Encounter?_security=HTEST", "e1"),
    # combinations US Core asks for
    ("D35", "Observation?patient=p1&category=survey&date:missing=true", "plain"),
    ("D35", "Observation?patient=p1&category=exam&date=ge2026-01-01", "period"),
    ("D35", "Observation?patient=p1&code=http://loinc.org|2-6,http://loinc.org|4-2", "plain period"),
    ("D35", "DiagnosticReport?patient=p1&category=swallow&date=ge2026-01-01", "r1"),
    ("D35", "DiagnosticReport?patient=p1&code=urn:test:codes|study", "r1"),
    ("D35", "Goal?patient=p1", "t1"),
    ("D35", "Goal?patient=p1&lifecycle-status=active", "t1"),
    ("D35", "Goal?patient=p1&target-date=ge2026-01-01", "t1"),
    ("D35", "CarePlan?patient=p1&category=assess-plan", "k1"),
    ("D35", "Encounter?date=ge2026-01-01&patient=p1", "e1"),
    ("D35", "Procedure?patient=p1&date=2026-02", "m1"),
    ("D35", "ServiceRequest?patient=p1&category=therapy", "s1"),
    ("D35", "ServiceRequest?_id=s1", "s1"),
    ("D35", "QuestionnaireResponse?patient=p1", "a1"),
    ("D35", "Condition?patient=p1", "c1"),
    ("D36", "Observation?patient=p1&code=1-8,2-6", "q100 q100.4 q0.1g q101 q1kg plain"),
    # alternatives, repeats, escapes
    ("D9", "Patient?family=ott,berg", "p3"),
    ("D9", "Patient?family:contains=mull&gender=male", "p2"),
]
REFUSED = [
    ("D7", "Patient?gender:exact=female"),
    ("D7", "Patient?birthdate:exact=1950"),
    ("D7", "Patient?family:below=x"),
    ("D7", "Patient?birthdate=xx1950"),
    ("D8", "Patient?birthdate=1950-13"),
    ("D8", "Observation?value-quantity=abc"),
    ("D8", "Patient?active:missing=perhaps"),
    ("D6", "Patient?nothing=1"),
    ("D23", "Patient?_sort=nothing"),
    ("D18", "Observation?component-code-value-quantity=8480-6"),
]
FORM = {"Content-Type": "application/x-www-form-urlencoded"}


@pytest.fixture(scope="module")
def http(service):
    headers = {"Authorization": f"Bearer {service.token}"}
    with httpx.Client(base_url=service.base, headers=headers, timeout=30) as http:
        entries = [
            {
                "resource": tree,
                "request": {"method": "PUT", "url": f"{tree['resourceType']}/{tree['id']}"},
            }
            for tree in RESOURCES
        ]
        http.post(
            "", json={"resourceType": "Bundle", "type": "transaction", "entry": entries}
        ).raise_for_status()
        yield http


def _found(answer):
    assert answer.status_code == 200, answer.text
    return {entry["resource"]["id"] for entry in answer.json().get("entry", ())}


@pytest.mark.parametrize(
    ("query", "ids"),
    [pytest.param(query, ids, marks=pytest.mark.conformance(row), id=query) for row, query, ids in CASES],
)
def test_a_search_finds_what_it_must(http, query, ids):
    got = http.get(query)
    assert _found(got) == set(ids.split())
    assert got.json()["total"] == len(ids.split())
    type_, _, form = query.partition("?")
    pairs = [pair.partition("=")[::2] for pair in form.split("&")]
    posted = http.post(f"{type_}/_search", content=str(httpx.QueryParams(pairs)), headers=FORM)
    assert _found(posted) == set(ids.split())


@pytest.mark.parametrize(
    "query", [pytest.param(query, marks=pytest.mark.conformance(row), id=query) for row, query in REFUSED]
)
def test_what_cannot_be_searched_is_refused(http, query):
    answer = http.get(query)
    assert (answer.status_code, answer.json()["resourceType"]) == (400, "OperationOutcome")


@pytest.mark.conformance("D25")
@pytest.mark.parametrize(("total", "there"), [("none", False), ("estimate", True), ("accurate", True)])
def test_total_is_told_as_asked(http, total, there):
    answer = http.get(f"Patient?_total={total}&_count=1").json()
    assert ("total" in answer) == there
    assert answer.get("total", 3) == 3


@pytest.mark.conformance("D22")
@pytest.mark.parametrize(
    ("query", "included"),
    [
        ("Observation?_id=plain&_include=Observation:subject", "p1"),
        ("Observation?_id=plain&_include=Observation:performer&_include=Observation:subject", "p1 d1"),
        ("Observation?_id=plain&_include=Observation:*", "p1 d1"),
        ("Observation?_id=plain&_include=Observation:subject:Group", ""),
        (
            "Observation?_id=plain&_include=Observation:subject&_include:iterate=Patient:organization",
            "p1 g1",
        ),
        ("Patient?_id=p1&_revinclude=Encounter:patient&_revinclude=Goal:patient", "e1 t1"),
        (
            "Practitioner?_id=d1&_revinclude=Patient:general-practitioner&_revinclude:iterate=Goal:patient",
            "p1 t1",
        ),
    ],
)
def test_includes_come_once_beside_the_matches(http, query, included):
    answer = http.get(query)
    _found(answer)
    entries = answer.json()["entry"]
    ids = [entry["resource"]["id"] for entry in entries if entry["search"]["mode"] == "include"]
    assert sorted(ids) == sorted(included.split())
    assert answer.json()["total"] == 1


@pytest.mark.conformance("D23")
@pytest.mark.parametrize(
    ("query", "ids"),
    [
        ("Patient?_sort=family", "p1 p2 p3"),
        ("Patient?_sort=-family", "p3 p2 p1"),
        ("Patient?_sort=gender,family", "p1 p2 p3"),
        ("Observation?code=1-8&_sort=-date", "q1kg q101 q0.1g q100.4 q100"),
    ],
)
def test_sorted_by_several_keys_those_without_last(http, query, ids):
    found = [entry["resource"]["id"] for entry in http.get(query).json()["entry"]]
    assert [one for one in found if one in ids.split()] == ids.split()


@pytest.mark.conformance("D3", "D6")
def test_the_self_link_leaves_out_what_was_not_used(http):
    answer = http.get("Patient?gender=male&nothing=1", headers={"Prefer": "handling=lenient"}).json()
    (link,) = [link["url"] for link in answer["link"] if link["relation"] == "self"]
    assert "gender=male" in link
    assert "nothing" not in link
    assert [entry["search"]["mode"] for entry in answer["entry"]] == ["match", "outcome"]
