import json
from collections import Counter
from datetime import UTC, datetime
from decimal import Decimal

import planted
import pytest
from research_store import DYSPHAGIA, HTEST, about, consent, observation, patient

from service.errors import InvalidInput
from service.fhir.canonical import extension
from service.fhir.validation import errors
from service.jobs.research_export import TOO_FEW_ALIKE
from service.jobs.research_permission import NO_PERMISSION, REFUSED
from service.jobs.research_policies import load_variant
from service.records.visit_exclusion import exclusion as excluded
from service.shipped import shipped
from service.terminology.codes import codes


def of(lines, type_):
    return [line for line in lines if line["resourceType"] == type_]


def told(lines, name):
    return [part for part in lines[-1]["parameter"] if part["name"] == name]


def person(id_, *, test=True, **more):
    return [patient(id_, test=test, **more), consent(id_)]


def test_only_people_who_permit_research_are_exported_and_the_others_counted(research):
    research.put(
        [
            *person("yes"),
            patient("never asked", test=True) | {"id": "never-asked"},
            patient("gone", test=True),
            consent("gone"),
            consent("gone", "withdrawn", "2026-05-01"),
        ]
    )
    lines, report = research.export()
    assert len(of(lines, "Patient")) == report.people == report.test_people == 1
    assert report.left_out == {NO_PERMISSION: 1, REFUSED: 1}


def test_first_the_provenance_then_resources_then_the_report(research):
    research.put([*person("p"), observation("p", "o")])
    lines, report = research.export()
    kinds = [line["resourceType"] for line in lines]
    assert kinds[0] == "Provenance"
    assert kinds[-1] == "Parameters"
    assert Counter(kinds[1:-1]) == report.resources == {"Patient": 1, "Observation": 1}
    assert [issue for line in lines for issue in errors(line)] == []


@pytest.mark.conformance("L5")
def test_the_provenance_names_policy_and_engine_and_no_person(research):
    lines, _ = research.export()
    provenance = lines[0]
    assert provenance["recorded"] == "2026-09-20T00:00:00Z"
    assert provenance["policy"][0].endswith("/safe-harbor|1.0.0")
    assert provenance["agent"] == [{"who": {"display": "swallow-interop 0.1.0, de-identification"}}]
    assert [label["code"] for label in provenance["meta"]["security"]][:2] == ["L", "PSEUDED"]


def test_every_reference_points_at_something_in_the_file(research):
    wrong = observation("p", "wrong") | {"status": "entered-in-error"}
    research.put(
        [
            *person("p"),
            about("p", "Encounter", "e", status="finished", **{"class": {"system": "x", "code": "x"}}),
            wrong,
            observation(
                "p",
                "part",
                valueQuantity={
                    "value": Decimal("72.50"),
                    "unit": "%",
                    "system": "http://unitsofmeasure.org",
                    "code": "%",
                },
            ),
            observation(
                "p",
                "whole",
                encounter={"reference": "Encounter/e", "display": "visit of Ottoline"},
                hasMember=[{"reference": f"Observation/{id_}"} for id_ in ("wrong", "part", "elsewhere")],
            ),
        ]
    )
    lines, report = research.export()
    ids = {f"{line['resourceType']}/{line['id']}" for line in lines[1:-1]}
    references = {
        leaf
        for line in lines[1:-1]
        for leaf in planted.leaves(line)
        if leaf.startswith(("Patient/", "Observation/", "Encounter/"))
    }
    assert references
    assert references <= ids
    [whole] = [line for line in of(lines, "Observation") if "hasMember" in line]
    assert len(whole["hasMember"]) == 1
    assert "encounter" not in whole
    assert sum(report.held_back.values()) == 2


def test_numbers_keep_the_text_they_were_stored_in(research):
    amount = {"value": Decimal("72.50"), "unit": "%", "system": "http://unitsofmeasure.org", "code": "%"}
    research.put([*person("p"), observation("p", "o", valueQuantity=amount)])
    research.export()
    assert b'"value":72.50,' in b"".join(research.lines)


def test_ids_stay_the_same_in_a_project_and_differ_between_projects(research):
    research.put([*person("p"), observation("p", "o")])
    ids = [
        {line["id"] for line in research.export(seed=seed, project=project)[0][1:-1]}
        for seed, project in [(1, "one"), (2, "one"), (3, "two")]
    ]
    assert ids[0] == ids[1]
    assert not ids[0] & ids[2]
    assert not {"p", "o"} & (ids[0] | ids[2])


def test_the_order_is_chance(research):
    research.put([item for number in range(8) for item in person(f"p{number}")])
    orders = {tuple(line["id"] for line in of(research.export(seed=seed)[0], "Patient")) for seed in range(4)}
    assert len(orders) > 1


def test_a_withdrawal_is_honoured_by_the_next_export(research):
    research.put(person("p"))
    assert research.export()[1].people == 1
    research.put([consent("p", "withdrawn", "2026-09-19")])
    lines, report = research.export()
    assert report.people == 0
    assert of(lines, "Patient") == []


def test_a_birth_year_goes_when_its_age_passes_89_between_releases(research):
    research.put(person("p", birthDate="1936-09-12"))
    before, _ = research.export(now=datetime(2026, 9, 11, tzinfo=UTC))
    after, _ = research.export(now=datetime(2026, 9, 12, tzinfo=UTC))
    assert of(before, "Patient")[0]["birthDate"] == "1936"
    assert "birthDate" not in of(after, "Patient")[0]
    assert of(after, "Patient")[0]["extension"] == [
        {"url": extension("age-class"), "valueString": "90 or older"}
    ]


def alike(born, count, *, test=False, start=0):
    return [
        item
        for number in range(start, start + count)
        for item in person(
            f"p{born}-{number}", test=test, birthDate=f"{born}-03-0{number + 1}", gender="female"
        )
    ]


def test_test_data_is_reported_and_never_held_back(research):
    research.put([*alike(1958, 1, test=True), *alike(1959, 2, test=True)])
    _, report = research.export()
    assert (report.people, report.k, report.k_in_age_classes, report.classes) == (3, 1, 3, 2)
    assert report.people_in_small_classes == 3


def test_real_people_leave_as_they_are_widened_or_not_at_all(research):
    research.put([*alike(1958, 5), *alike(1960, 3), *alike(1962, 2), *alike(1985, 1)])
    lines, report = research.export()
    patients = of(lines, "Patient")
    assert Counter(
        item.get("birthDate", item.get("extension", [{}])[0].get("valueString")) for item in patients
    ) == {
        "1958": 5,
        "60-69": 5,
    }
    assert report.k == 5
    assert report.birth_years_widened == 5
    assert report.left_out == {TOO_FEW_ALIKE: 1}


def test_small_counts_of_real_people_left_out_are_not_told(research):
    research.put([*alike(1958, 5), patient("never-asked")])
    lines, report = research.export()
    [left_out] = told(lines, "leftOut")
    assert left_out["part"][1] == {"name": "count", "valueString": "1 to 10"}
    assert report.left_out == {NO_PERMISSION: 1}


def test_the_report_says_what_a_reader_has_to_know(research):
    research.put([*person("p"), observation("p", "o"), about("p", "Condition", "c", code={"text": "stroke"})])
    lines, _ = research.export()
    said = {
        part["name"]: next(value for name, value in part.items() if name != "name")
        for part in lines[-1]["parameter"]
        if "part" not in part
    }
    assert said["policy"] == "safe-harbor 1.0.0"
    assert said["engine"] == "swallow-interop 0.1.0"
    assert said["released"] == "2026-09-20"
    assert said["zip3Census"] == 2000
    assert said["k"] == 1
    assert [part["part"][0]["valueString"] for part in told(lines, "resources")] == ["Observation", "Patient"]
    assert told(lines, "heldBack")[0]["part"][0]["valueString"] == (
        "Condition: an element it can't do without may not be shown"
    )


def test_an_empty_store_gives_a_file_that_says_so(research):
    lines, report = research.export()
    assert [line["resourceType"] for line in lines] == ["Provenance", "Parameters"]
    assert (report.people, report.k) == (0, 0)


def test_a_variant_nobody_offers_is_refused():
    with pytest.raises(InvalidInput, match="offered: safe-harbor"):
        load_variant("everything")


def test_more_than_a_page_of_resources_is_exported(research):
    research.put([*person("p"), *(observation("p", f"o{number}") for number in range(501))])
    assert research.export()[1].resources["Observation"] == 501


def test_nothing_planted_leaves_the_store(research, tell):
    made = planted.Corpus(json.loads(shipped("mappings", "policies", "safe-harbor.json").read_text("utf-8")))
    resources = made.resources(variants=3)
    resources[0]["meta"]["security"] = [HTEST]
    research.put([*resources, consent(resources[0]["id"])])
    lines, report = research.export()
    assert planted.found_in(made.tokens, lines) == []
    assert sum(report.resources.values()) > len(resources) / 3, "planted codes are none of R4's"
    tell(f"{len(made.tokens)} identifiers planted in a store, 0 found in {len(lines)} lines")


def test_a_condition_group_is_kept_and_a_rare_condition_is_not(research):
    rare = {"coding": [{"system": "http://snomed.info/sct", "code": "86044005", "display": "ALS"}]}
    research.put(
        [
            *person("p"),
            about("p", "Condition", "c1", code=DYSPHAGIA),
            about("p", "Condition", "c2", code=rare),
        ]
    )
    lines, _ = research.export()
    [kept] = of(lines, "Condition")
    assert kept["code"] == {
        "coding": [{"system": "http://snomed.info/sct", "code": "40739000", "display": "Dysphagia"}]
    }


def test_a_visit_that_was_left_out_of_computed_results_leaves_as_such(research):
    """Without that a researcher's numbers would rest on visits that the clinic's don't."""
    exclusion = excluded("A cold, she said.", "unwell", "2026-03-24T09:00:00Z", codes())
    encounter = about("p", "Encounter", "e", status="finished", extension=[exclusion])
    kind = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"}
    research.put([*person("p"), encounter | {"class": kind}])
    lines, _ = research.export()
    (visit,) = of(lines, "Encounter")
    (kept,) = [one for one in visit["extension"] if one["url"] == extension("visit-exclusion")]
    reason, day = kept["extension"]
    assert reason["valueCodeableConcept"]["coding"][0]["code"] == "unwell"
    assert "text" not in reason["valueCodeableConcept"]
    assert day["valueDateTime"] == "2026"


def test_a_visit_that_waits_for_a_signature_stays_here(research):
    named = {"identifier": [{"system": "urn:records", "value": "visit-1"}]}
    draft = {"url": "status", "valueCode": "preliminary"}
    encounter = about("p", "Encounter", "e", status="finished", **named)
    encounter |= {
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
        "extension": [{"url": extension("visit-signature"), "extension": [draft]}],
    }
    part = {"identifier": [{"system": "urn:records", "value": "visit-1/pre/1"}]}
    research.put([*person("p"), encounter, observation("p", "theirs", **part), observation("p", "other")])
    lines, _ = research.export()
    assert of(lines, "Encounter") == []
    assert len(of(lines, "Observation")) == 1
