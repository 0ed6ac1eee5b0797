"""Every example becomes valid FHIR, with listed codes only, and the same Bundle each time."""

import re

import pytest
from sample_visits import bundle_of, example_names, parts_of, visit_tree

from service.fhir.json import dump, reread
from service.fhir.references import reference_texts
from service.fhir.terminology_files import own
from service.fhir.validation import errors
from service.fhir.value_sets import member
from service.records.identity import person_url
from service.terminology.codes import codes

SETTINGS = ("all", "gps")


@pytest.fixture(scope="module", params=[(name, s) for name in example_names() for s in SETTINGS], ids=str)
def example(request):
    name, snomed = request.param
    return visit_tree(name), bundle_of(visit_tree(name), snomed=snomed), snomed


def test_every_resource_is_valid_r4(example):
    _, bundle, _ = example
    assert [issue for entry in bundle["entry"] for issue in errors(entry["resource"])] == []
    assert errors(bundle) == ()


def codings(node):
    if isinstance(node, dict):
        if "system" in node and "code" in node and "value" not in node:
            yield node["system"], node["code"], node.get("display")
        for value in node.values():
            yield from codings(value)
    elif isinstance(node, list):
        for value in node:
            yield from codings(value)


def test_every_code_sent_is_listed_with_the_display_of_its_source(example):
    tree, bundle, snomed = example
    allowed = codes(snomed)
    of_the_sender = {
        (condition["code"]["system"], condition["code"]["code"])
        for condition in tree.get("conditions", [])
        if isinstance(condition["code"], dict)
    }
    for system, code, display in codings(bundle):
        if (system, code) in of_the_sender:
            continue
        assert allowed.has(system, code), (system, code)
        assert display in (None, allowed.display(system, code))


def test_units_are_listed_ucum_codes(example):
    _, bundle, _ = example

    def quantities(node):
        if isinstance(node, dict):
            if "value" in node and "unit" in node:
                yield node["system"], node["code"]
            for value in node.values():
                yield from quantities(value)
        elif isinstance(node, list):
            for value in node:
                yield from quantities(value)

    for system, code in quantities(bundle):
        assert codes().has(system, code), (system, code)


def test_every_reference_leads_to_an_entry_or_to_what_is_on_file(example):
    tree, bundle, _ = example
    patient = person_url("Patient", tree["patient"]["system"], tree["patient"]["value"])
    inside = {entry["fullUrl"] for entry in bundle["entry"]} | {patient}
    assert [text for text in reference_texts(bundle) if text not in inside and "Goal/" not in text] == []


def test_full_urls_and_requests_are_each_used_once(example):
    _, bundle, _ = example
    urls = [entry["fullUrl"] for entry in bundle["entry"]]
    requests = [tuple(entry["request"].values()) for entry in bundle["entry"]]
    assert len(set(urls)) == len(urls)
    puts = [request for request in requests if request[0] == "PUT"]
    assert len(set(puts)) == len(puts)
    assert all(re.fullmatch(r"urn:uuid:[0-9a-f-]{36}", url) for url in urls)


def test_test_data_is_labelled_everywhere(example):
    _, bundle, _ = example
    for entry in bundle["entry"]:
        assert "HTEST" in [label["code"] for label in entry["resource"]["meta"]["security"]]


def test_every_resource_has_a_generated_narrative(example):
    _, bundle, _ = example
    for entry in bundle["entry"]:
        text = entry["resource"]["text"]
        assert text["status"] == "generated"
        assert text["div"].startswith('<div xmlns="http://www.w3.org/1999/xhtml"><p>')


def test_the_same_record_gives_the_same_bundle_to_the_byte():
    assert dump(bundle_of(visit_tree("demo-01-visit-2"))) == dump(bundle_of(visit_tree("demo-01-visit-2")))


def test_data_of_real_people_has_no_test_label():
    tree = visit_tree("demo-01-visit-2")
    tree["test_data"] = False
    assert all("security" not in entry["resource"].get("meta", {}) for entry in bundle_of(tree)["entry"])


def test_with_the_free_set_no_licensed_snomed_code_is_sent():
    tree = visit_tree("demo-01-evaluation-1")
    tree["swallow_study"]["method"] = "endoscopic"
    report = parts_of(bundle_of(tree, snomed="gps"))["study"]
    licensed = {row.key for row in codes("all").rows() if row.licence == "snomed-full"}
    sent = {f"{system}|{code}" for system, code, _ in codings(bundle_of(tree, snomed="gps"))}
    assert not sent & licensed
    assert report["code"]["coding"][0]["code"] == "78654-1"


def test_what_people_write_is_escaped_in_the_narrative():
    tree = visit_tree("demo-01-visit-1")
    tree["goals"][0]["description"] = "Hold <b>5</b> s & more <script>alert(1)</script>"
    goal = parts_of(bundle_of(tree))[f"goals/{tree['goals'][0]['key']}"]
    assert "<script>" not in goal["text"]["div"]
    assert "Hold &lt;b&gt;5&lt;/b&gt; s &amp; more" in goal["text"]["div"]
    assert goal["description"]["text"] == tree["goals"][0]["description"]


def test_slashes_and_percent_signs_in_a_record_number_are_encoded():
    tree = visit_tree("demo-01-visit-1")
    tree["record"]["value"] = "A/1%"
    encounter = next(
        entry for entry in bundle_of(tree)["entry"] if entry["resource"]["resourceType"] == "Encounter"
    )
    assert encounter["resource"]["identifier"][0]["value"] == "A%2F1%25"
    assert encounter["request"]["url"].endswith("%7CA%252F1%2525")


OBSERVED = "https://swallow-interop.example.org/fhir/CodeSystem/swallow-observation"


def bound_value_sets():
    """Code of an observation or component to the value set of its answers."""
    trees = [reread(text) for text in own("ValueSet").values()]
    return {
        coding["code"]: tree["url"]
        for tree in trees
        for context in tree.get("useContext", [])
        for coding in context["valueCodeableConcept"]["coding"]
    }


def answered(node):
    """Own code and coded value of every observation and component."""
    if isinstance(node, dict):
        named = [one["code"] for one in codings_of(node.get("code")) if one.get("system") == OBSERVED]
        if named and "valueCodeableConcept" in node:
            yield named[0], node["valueCodeableConcept"]
        for value in node.values():
            yield from answered(value)
    elif isinstance(node, list):
        for value in node:
            yield from answered(value)


def codings_of(concept):
    return concept.get("coding", []) if isinstance(concept, dict) else []


R4_SETS = {
    "achievement-status": "http://hl7.org/fhir/ValueSet/goal-achievement",
    "lifecycle-status": "http://hl7.org/fhir/ValueSet/goal-status",
}


def test_coded_answers_are_of_the_value_set_of_what_they_answer(example):
    _, bundle, _ = example
    sets = bound_value_sets() | R4_SETS
    for code, value in answered(bundle):
        said = [member(sets[code], one["system"], one["code"]) for one in value["coding"]]
        assert True in said, code
