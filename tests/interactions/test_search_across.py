"""Searches across references, compartments and types; what comes with the matches (FHIR R4 search.html)."""

import asyncio
from urllib.parse import parse_qsl, urlsplit

import pytest

from service.errors import Forbidden, InvalidInput, NotFound
from service.fhir.json import parse
from service.interactions import includes
from service.interactions import search as searches

BASE = "https://here.example/fhir"


def entries(bundle, mode="match"):
    return [
        f"{entry['resource']['resourceType']}/{entry['resource']['id']}"
        for entry in bundle.get("entry", [])
        if entry["search"]["mode"] == mode
    ]


def ids(bundle):
    return "".join(sorted(name.partition("/")[2] for name in entries(bundle)))


@pytest.fixture
def filled(client):
    """Two patients (one of Dr. Ode at North), an encounter each, three observations, a Provenance."""
    for tree in [
        {"resourceType": "Organization", "id": "n", "name": "North"},
        {"resourceType": "Practitioner", "id": "d", "name": [{"family": "Ode"}]},
        {
            "resourceType": "Patient",
            "id": "p",
            "name": [{"family": "Abel", "given": ["Ann"]}],
            "gender": "female",
            "generalPractitioner": [{"reference": "Practitioner/d"}],
            "managingOrganization": {"reference": "Organization/n"},
        },
        {"resourceType": "Patient", "id": "q", "name": [{"family": "Abel"}], "gender": "male"},
        *(
            {
                "resourceType": "Encounter",
                "id": f"e{one}",
                "status": "finished",
                "class": {"code": "AMB"},
                "subject": {"reference": f"Patient/{one}"},
            }
            for one in "pq"
        ),
        *(
            {
                "resourceType": "Observation",
                "id": id_,
                "status": "final",
                "code": {"coding": [{"code": code}]},
                "subject": {"reference": f"Patient/{patient}"},
                "encounter": {"reference": f"Encounter/e{patient}"},
            }
            for id_, patient, code in [("a", "p", "x"), ("b", "p", "y"), ("c", "q", "x")]
        ),
        {
            "resourceType": "Observation",
            "id": "g",
            "status": "final",
            "code": {"text": "of a group"},
            "subject": {"reference": "Group/1"},
            "performer": [{"reference": "Patient/p"}],
        },
        {
            "resourceType": "Provenance",
            "id": "v",
            "recorded": "2026-02-04T10:00:00Z",
            "target": [{"reference": "Observation/a"}, {"reference": "Patient/p"}],
            "agent": [{"who": {"reference": "Practitioner/d"}}],
        },
    ]:
        client.update(tree)
    return client


@pytest.mark.conformance("D20")
@pytest.mark.parametrize(
    ("params", "found"),
    [
        ([("subject:Patient.name", "abel")], "abc"),
        ([("subject.name", "abel")], "abc"),
        ([("patient.gender", "female")], "ab"),
        ([("patient.name", "abel"), ("patient.gender", "male")], "c"),
        ([("patient.gender", "female"), ("code", "x")], "a"),
        ([("patient.general-practitioner.name", "ode")], "ab"),
        ([("encounter.patient.organization.name", "north")], "ab"),
        ([("patient.organization:Organization.name", "south")], ""),
        ([("patient._id", "q")], "c"),
        ([("encounter.status", "finished"), ("patient", "p")], "ab"),
        ([("patient.gender:not", "female")], "c"),
        ([("patient.name:exact", "abel")], ""),
    ],
)
def test_chains(filled, params, found):
    assert ids(filled.search("Observation", *params)) == found


@pytest.mark.conformance("D20", "D21")
def test_ways_may_lead_over_five_references(client):
    """The database's parser has a depth; the longest way that is let through must be within it."""
    for number in range(6):
        tree = {
            "resourceType": "Observation",
            "id": f"o{number}",
            "status": "final" if number else "amended",
            "code": {"text": "x"},
            "derivedFrom": [{"reference": f"Observation/o{number - 1}"}] if number else None,
        }
        client.update({name: value for name, value in tree.items() if value})
    ahead = "derived-from:Observation." * 5 + "status"
    assert ids(client.search("Observation", (ahead, "amended"))) == "o5"
    back = "_has:Observation:derived-from:" * 5 + "_id"
    assert ids(client.search("Observation", (back, "o5"))) == "o0"


@pytest.mark.conformance("D21")
@pytest.mark.parametrize(
    ("type_", "params", "found"),
    [
        ("Patient", [("_has:Observation:patient:code", "y")], "p"),
        ("Patient", [("_has:Observation:patient:code", "x")], "pq"),
        ("Patient", [("_has:Observation:subject:code", "x"), ("gender", "male")], "q"),
        ("Patient", [("_has:Observation:patient:_has:Provenance:target:agent", "Practitioner/d")], "p"),
        ("Patient", [("_has:Observation:patient:encounter.status", "finished")], "pq"),
        ("Encounter", [("patient._has:Observation:patient:code", "y")], "ep"),
        ("Practitioner", [("_has:Patient:general-practitioner:gender", "female")], "d"),
        ("Practitioner", [("_has:Patient:general-practitioner:gender", "male")], ""),
    ],
)
def test_reverse_chains(filled, type_, params, found):
    assert ids(filled.search(type_, *params)) == found


@pytest.mark.conformance("D7", "D20", "D21")
@pytest.mark.parametrize(
    "name",
    [
        "code.name",
        "subject.nothing",
        "subject:Goal.description",
        "_has:Observation:code:code",
        "_has:Nothing:patient:code",
        "_has:Observation:patient",
        "_has:Observation:patient:nothing",
        "_has:Goal:patient:category",  # a Goal does not refer to an Observation by it
        "encounter." * 7 + "status",
        "patient.birthdate",
        "subject:Patient",
    ],
)
def test_ways_that_lead_nowhere_are_refused_by_name(filled, name):
    with pytest.raises(InvalidInput) as refused:
        filled.search("Observation", (name, "not a date, nor an id"))
    assert name[:30] in str(refused.value) or "has no search parameter" in str(refused.value)


def only(*types):
    def allow(_, type_):
        if type_ not in types:
            raise Forbidden(f"no {type_}")

    return allow


@pytest.mark.conformance("D22")
@pytest.mark.parametrize(
    ("params", "included"),
    [
        ([("_include", "Observation:subject")], {"Patient/p"}),
        ([("_include", "Observation:subject:Patient")], {"Patient/p"}),
        ([("_include", "Observation:subject:Group")], set()),
        (
            [("_include", "Observation:patient"), ("_include", "Observation:encounter")],
            {"Patient/p", "Encounter/ep"},
        ),
        ([("_include", "*")], {"Patient/p", "Encounter/ep"}),
        ([("_include", "Observation:*")], {"Patient/p", "Encounter/ep"}),
        (
            [("_include", "Observation:patient"), ("_include:iterate", "Patient:general-practitioner")],
            {"Patient/p", "Practitioner/d"},
        ),
        ([("_revinclude", "Provenance:target")], {"Provenance/v"}),
        ([("_revinclude", "Provenance:target:Patient")], set()),
        ([("_revinclude", "*")], {"Provenance/v"}),
        (
            [("_include", "Observation:patient"), ("_revinclude:iterate", "Provenance:target")],
            {"Patient/p", "Provenance/v"},
        ),
    ],
)
def test_includes(filled, params, included):
    bundle = filled.search("Observation", ("_id", "a,b"), *params)
    assert entries(bundle) == ["Observation/a", "Observation/b"]
    assert bundle["total"] == 2
    found = entries(bundle, "include")
    assert set(found) == included
    assert len(found) == len(included)
    urls = [entry["fullUrl"] for entry in bundle["entry"]]
    assert set(urls) == {f"{BASE}/{name}" for name in [*found, "Observation/a", "Observation/b"]}


@pytest.mark.conformance("D22")
def test_a_match_is_not_included_again(filled):
    filled.update(
        {
            "resourceType": "Observation",
            "id": "h",
            "status": "final",
            "code": {"text": "panel"},
            "hasMember": [{"reference": "Observation/a"}, {"reference": "Observation/h"}],
        }
    )
    bundle = filled.search("Observation", ("_id", "a,h"), ("_include:iterate", "Observation:has-member"))
    assert (entries(bundle), entries(bundle, "include")) == (["Observation/a", "Observation/h"], [])


@pytest.mark.conformance("D22")
@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("_include", "Observation"),
        ("_include", "Observation:nothing"),
        ("_include", "Observation:code"),
        ("_include", "Nothing:subject"),
        ("_include", "Patient:organization"),
        ("_include", "Observation:subject:Encounter"),
        ("_include:wrong", "Observation:subject"),
        ("_revinclude", "Provenance:target:Nothing"),
        ("_summary", "text"),
    ],
)
def test_includes_that_cannot_be_followed_are_refused(filled, name, value):
    with pytest.raises(InvalidInput, match=name.partition(":")[0]):
        filled.search("Observation", (name, value), ("_include", "Observation:subject"))


@pytest.mark.published("FHIR R4 search.html#summary: true, text, data, count, false")
def test_a_summary_that_is_none_is_told_all_there_are(filled):
    with pytest.raises(InvalidInput, match="_summary must be one of count, true, text, data, false"):
        filled.search("Observation", ("_summary", "maybe"))


@pytest.mark.conformance("D22")
def test_what_is_too_much_is_left_out_and_said(filled, monkeypatch):
    monkeypatch.setattr(includes, "MOST", 1)
    bundle = filled.search("Observation", ("_id", "a"), ("_include", "*"))
    assert len(entries(bundle, "include")) == 1
    (outcome,) = (one["resource"] for one in bundle["entry"] if one["search"]["mode"] == "outcome")
    assert outcome["issue"][0]["severity"] == "warning"


@pytest.mark.conformance("D22")
def test_what_comes_along_is_bounded_in_bytes(filled, monkeypatch):
    monkeypatch.setattr(includes, "MOST_BYTES", 300)
    bundle = filled.search("Observation", ("_id", "a"), ("_include", "*"))
    assert len(entries(bundle, "include")) == 1
    assert "outcome" in {one["search"]["mode"] for one in bundle["entry"]}


@pytest.mark.parametrize("sort", ["_id", "-code"])
def test_a_page_of_long_resources_has_fewer_than_asked_for(filled, monkeypatch, sort):
    asked = [("_sort", sort), ("_count", "50")]
    whole = entries(filled.search("Observation", *asked))
    sizes = [len(filled.read(*name.split("/")).content) for name in whole]
    for most, first in ((1, 1), (sum(sizes[:2]), 2), (sum(sizes[:3]) - 1, 2), (sum(sizes), len(sizes))):
        monkeypatch.setattr(searches, "MOST_BYTES", most)
        pages = _pages(filled, asked, "next")
        assert len(entries(pages[0])) == first
        assert [name for page in pages for name in entries(page)] == whole
        assert {page["total"] for page in pages} == {len(whole)}
        back = _pages(filled, _query(pages[-1], "self"), "previous")
        assert [name for page in back[::-1] for name in entries(page)] == whole


def _pages(client, params, relation):
    found = [client.search("Observation", *params)]
    while params := _query(found[-1], relation):
        found.append(client.search("Observation", *params))
    return found


def _query(bundle, relation):
    """The parameters of a link of this page, None if it has none."""
    urls = [link["url"] for link in bundle["link"] if link["relation"] == relation]
    return parse_qsl(urlsplit(urls[0]).query) if urls else None


@pytest.mark.conformance("D20", "D21", "D22")
@pytest.mark.usefixtures("filled")
def test_every_type_that_is_touched_is_asked_for(client_with):
    client = client_with(allow=only("Observation", "Encounter"))
    assert ids(client.search("Observation", ("encounter.status", "finished"))) == "abc"
    for params in [
        ("patient.name", "abel"),
        ("encounter.patient.name", "abel"),
        ("_has:Provenance:target:agent", "Practitioner/d"),
        ("_revinclude", "Provenance:target"),
        ("_include", "Observation:subject:Patient"),
    ]:
        with pytest.raises(Forbidden):
            client.search("Observation", params)
    bundle = client.search("Observation", ("_id", "a"), ("_include", "*"), ("_revinclude", "*"))
    assert entries(bundle, "include") == ["Encounter/ep"]


def compartment(client, focus, type_, *params):
    work = searches.search_compartment(client.store, focus, type_, params, context=client.context)
    return parse(asyncio.run(work))


@pytest.mark.conformance("D29")
def test_compartments(filled):
    bundle = compartment(filled, ("Patient", "p"), "Observation")
    assert ids(bundle) == "abg"
    assert bundle["link"][0]["url"] == f"{BASE}/Patient/p/Observation"
    assert ids(compartment(filled, ("Patient", "p"), "Observation", ("code", "x"))) == "a"
    everything = compartment(filled, ("Patient", "p"), "*", ("_count", "100"))
    assert set(entries(everything)) == {
        *(f"Observation/{one}" for one in "abg"),
        "Encounter/ep",
        "Provenance/v",
    }
    assert ids(compartment(filled, ("Encounter", "ep"), "Observation")) == "ab"
    assert ids(compartment(filled, ("Practitioner", "d"), "Provenance")) == "v"
    assert entries(compartment(filled, ("Patient", "nobody"), "*")) == []
    with pytest.raises(NotFound):
        compartment(filled, ("Patient", "p"), "Questionnaire")


@pytest.mark.conformance("D29")
@pytest.mark.usefixtures("filled")
def test_a_compartment_shows_what_the_caller_may_see(client_with):
    client = client_with(allow=only("Observation"))
    assert set(entries(compartment(client, ("Patient", "p"), "*"))) == {f"Observation/{one}" for one in "abg"}
    with pytest.raises(Forbidden):
        compartment(client, ("Patient", "p"), "Encounter")
    with pytest.raises(Forbidden):
        compartment(client_with(allow=only("Questionnaire")), ("Patient", "p"), "*")


def everything(client, *params):
    return parse(asyncio.run(searches.search_everything(client.store, params, context=client.context)))


@pytest.mark.conformance("D30")
def test_several_types_at_once(filled, client_with):
    assert set(entries(everything(filled, ("_type", "Patient,Encounter")))) == {
        *("Patient/p", "Patient/q"),
        *("Encounter/ep", "Encounter/eq"),
    }
    bundle = everything(filled, ("_type", "Observation,Encounter"), ("patient", "p"), ("_sort", "-_id"))
    assert entries(bundle) == ["Encounter/ep", "Observation/b", "Observation/a"]
    assert bundle["link"][0]["url"] == f"{BASE}?_type=Observation,Encounter&patient=p&_sort=-_id"
    assert len(entries(everything(filled, ("_id", "p,a,v")))) == 3
    filled.update({"resourceType": "Patient", "id": "t", "meta": {"tag": [{"code": "x"}]}})
    filled.update({"resourceType": "Organization", "id": "t", "name": "T", "meta": {"tag": [{"code": "x"}]}})
    assert set(entries(everything(filled, ("_tag", "x")))) == {"Patient/t", "Organization/t"}
    assert len(entries(everything(filled, ("_type", "Patient,Organization"), ("_tag:not", "x")))) == 3
    for params in [("name", "abel"), ("code", "x")]:
        with pytest.raises(InvalidInput):
            everything(filled, ("_type", "Patient,Encounter"), params)
    with pytest.raises(InvalidInput):
        everything(filled, ("_type", "Patient,Nothing"))
    assert entries(everything(client_with(allow=only("Organization")))) == [
        "Organization/n",
        "Organization/t",
    ]


@pytest.mark.conformance("D35", "D36")
@pytest.mark.parametrize(
    ("type_", "params"),
    [
        ("Observation", ["patient", "category", "date"]),
        ("Observation", ["patient", "code"]),
        ("Observation", ["patient", "category", "status"]),
        ("DiagnosticReport", ["patient", "category", "date"]),
        ("DiagnosticReport", ["patient", "code", "date"]),
        ("Goal", ["patient", "lifecycle-status"]),
        ("Goal", ["patient", "target-date"]),
        ("CarePlan", ["patient", "category", "status", "date"]),
        ("CareTeam", ["patient", "status"]),
        ("Condition", ["patient", "category", "clinical-status"]),
        ("Condition", ["patient", "onset-date"]),
        ("Encounter", ["date", "patient"]),
        ("Encounter", ["identifier"]),
        ("Encounter", ["class", "patient"]),
        ("Procedure", ["patient", "code", "date"]),
        ("ServiceRequest", ["patient", "category", "authored"]),
        ("ServiceRequest", ["_id"]),
        ("QuestionnaireResponse", ["patient", "questionnaire"]),
        ("DocumentReference", ["patient", "type", "period"]),
        ("Patient", ["birthdate", "family"]),
        ("Patient", ["gender", "name"]),
        ("AllergyIntolerance", ["patient", "clinical-status"]),
        ("RelatedPerson", ["patient"]),
    ],
)
def test_combinations_that_us_core_names(client, type_, params):
    values = {
        "date": ["ge2026", "lt2027"],
        "target-date": ["ge2026", "lt2027"],
        "onset-date": ["ge2026"],
        "authored": ["ge2026"],
        "period": ["ge2026"],
        "birthdate": ["1950-01-01"],
        "patient": ["p"],
        "questionnaire": ["http://q"],
    }
    asked = [(name, value) for name in params for value in values.get(name, ["a,b"])]
    assert client.search(type_, *asked)["total"] == 0


@pytest.mark.conformance("D34")
def test_what_was_deleted_or_superseded_is_not_found_by_any_way(filled):
    filled.delete("Patient", "q")
    assert ids(filled.search("Observation", ("patient.name", "abel"))) == "ab"
    assert ids(filled.search("Patient", ("_has:Observation:patient:code", "x"))) == "p"
    assert entries(filled.search("Observation", ("_id", "c"), ("_include", "*")), "include") == [
        "Encounter/eq"
    ]
    filled.update(
        {
            "resourceType": "Patient",
            "id": "p",
            "name": [{"family": "Other"}],
        }
    )
    assert ids(filled.search("Observation", ("patient.name", "abel"))) == ""
    filled.delete("Observation", "b")
    assert ids(filled.search("Patient", ("_has:Observation:patient:code", "y"))) == ""
