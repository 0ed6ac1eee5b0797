import hashlib
from collections import Counter
from datetime import UTC, datetime
from decimal import Decimal

import planted
import pytest
from research_store import DYSPHAGIA, HTEST, NOW, about, consent, observation, patient

from service.errors import InvalidInput, RuleViolation
from service.fhir.canonical import code_system, extension
from service.fhir.validation import errors
from service.jobs.research_export import TOO_FEW_ALIKE
from service.jobs.research_permission import NO_PERMISSION, REFUSED
from service.jobs.research_policies import load_variant, policy_document
from service.jobs.research_releases import released_as, withdraw
from service.records.visit_exclusion import exclusion as excluded
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
    assert provenance["policy"][0].endswith("/safe-harbor|1.1.0")
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
            f"p{born}-{number}", test=test, birthDate=f"{born}-03-{number + 1:02}", gender="female"
        )
    ]


def test_test_data_is_reported_and_never_held_back(research):
    research.put([*alike(1958, 1, test=True), *alike(1959, 2, test=True)])
    _, report = research.export()
    assert (report.people, report.k, report.k_after["age class"], report.classes) == (3, 1, 3, 2)
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
    assert report.widened == {"age class": 5}
    assert report.left_out == {TOO_FEW_ALIKE: 1}


def test_small_counts_of_real_people_left_out_are_not_told(research):
    research.put([*alike(1958, 5), patient("never-asked")])
    lines, report = research.export()
    [left_out] = told(lines, "leftOut")
    assert left_out["part"][1] == {"name": "count", "valueString": "1 to 10"}
    assert report.left_out == {NO_PERMISSION: 1}
    lines, _ = research.export(smallest=3)
    assert told(lines, "leftOut")[0]["part"][1]["valueString"] == "1 to 2"
    lines, _ = research.export(smallest=1)
    assert told(lines, "leftOut")[0]["part"][1]["valueInteger"] == 1


def test_the_report_says_what_a_reader_has_to_know(research):
    research.put([*person("p"), observation("p", "o"), about("p", "Condition", "c", code={"text": "stroke"})])
    lines, _ = research.export()
    said = {
        part["name"]: next(value for name, value in part.items() if name != "name")
        for part in lines[-1]["parameter"]
        if "part" not in part
    }
    assert said["policy"] == "safe-harbor 1.1.0"
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
    with pytest.raises(
        InvalidInput, match="offered: safe-harbor, safe-harbor-days, limited-data-set, shifted"
    ):
        load_variant("everything")


def test_more_than_a_page_of_resources_is_exported(research):
    research.put([*person("p"), *(observation("p", f"o{number}") for number in range(501))])
    assert research.export()[1].resources["Observation"] == 501


def test_nothing_planted_leaves_the_store(research, tell):
    made = planted.Corpus(policy_document("safe-harbor"))
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


@pytest.mark.parametrize(
    ("asked", "why"),
    [
        ({"variant": "limited-data-set"}, "name it as the approval"),
        ({"variant": "shifted-dates"}, "name it as the approval"),
        (
            {"variant": "limited-data-set", "approval": "DUA 7", "open": True},
            "nothing is released to everybody",
        ),
        ({"approval": "<script>"}, "An approval is named by"),
    ],
)
def test_a_release_that_it_can_t_be_is_refused(research, asked, why):
    with pytest.raises(InvalidInput, match=why):
        research.export(**asked)


@pytest.mark.parametrize(
    ("asked", "k"), [({"variant": "shifted-dates", "approval": "expert 7"}, 5), ({"open": True}, 11)]
)
def test_nothing_is_released_while_too_few_are_alike_and_the_random_ids_tell_who(research, asked, k):
    research.put([*alike(1958, k), *alike(1959, k, test=True), *alike(1985, 1)])
    with pytest.raises(RuleViolation) as refused:
        research.export(**asked)
    first, *each = [issue.message for issue in refused.value.issues]
    assert first.startswith(f"1 of {2 * k + 1} people are in classes smaller than {k}")
    assert len(each) == 1
    assert each[0].endswith(f": 1 alike, {k} are asked for.")
    random_id = each[0].split(":")[0].split("/")[1]
    assert research.vaults.known("one").find(random_id) == "Patient/p1985-0"
    assert "p1985" not in str(refused.value)
    assert research.releases.all() == []


def test_a_release_for_everybody_leaves_when_all_are_alike(research):
    research.put(alike(1958, 11))
    _, report = research.export(open=True)
    assert (report.people, report.k, report.k_asked) == (11, 11, 11)


def test_a_limited_data_set_is_reported_and_not_widened(research):
    research.put([*alike(1958, 2), *alike(1985, 1)])
    lines, report = research.export(variant="limited-data-set", approval="DUA 7")
    assert (report.people, report.k, report.widened, report.people_in_small_classes) == (3, 1, {}, 3)
    assert {"name": "approval", "valueString": "DUA 7"} in lines[-1]["parameter"]
    assert sorted(one["birthDate"] for one in of(lines, "Patient")) == [
        "1958-03-01",
        "1958-03-02",
        "1985-03-01",
    ]


def test_a_value_that_a_class_shares_is_told_as_l(research):
    level = {"coding": [{"system": code_system("swallow-observation"), "code": "oral-intake-7"}]}
    people = alike(1958, 5, test=True)
    for number in range(5):
        people += [observation(f"p1958-{number}", f"o{number}", code=level, valueInteger=3)]
    research.put(people)
    assert research.export()[1].l == 1
    research.put([observation("p1958-4", "o5", code=level, valueInteger=1)])
    assert research.export()[1].l == 2


def test_a_series_of_visits_that_nobody_shares_is_counted(research):
    kind = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"}
    people = alike(1958, 3, test=True)
    for number, second in enumerate(("2026-03-01", "2026-03-01", "2026-03-09")):
        for day in ("2026-02-01", second):
            visit = {"status": "finished", "class": kind, "period": {"start": day}}
            people.append(about(f"p1958-{number}", "Encounter", f"e{number}{day}", **visit))
    research.put(people)
    assert research.export()[1].visits_unique == 0  # years show no difference
    assert research.export(variant="safe-harbor-days", project="days")[1].visits_unique == 1
    assert research.export(variant="shifted-dates", project="moved", approval="7")[1].visits_unique == 1


def test_what_is_labelled_restricted_stays_and_is_counted(research):
    label = {"system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", "code": "R"}
    hidden = observation("p", "hidden") | {"meta": {"security": [label]}}
    research.put(
        [
            *person("p"),
            hidden,
            observation("p", "whole", hasMember=[{"reference": "Observation/hidden"}]),
            *person("q", meta={"security": [label | {"code": "V"}]}),
        ]
    )
    lines, report = research.export()
    [kept] = of(lines, "Observation")
    assert "hasMember" not in kept
    assert report.held_back == {"Observation: its label keeps it from research": 1}
    assert report.people == 1


def test_a_release_is_frozen_and_lists_who_withdrew_since(research):
    research.put([*person("p"), *person("q")])
    lines, _ = research.export(approval="vote 12/3")
    [(release, withdrawn)] = research.releases.all()
    assert release.id == lines[0]["id"]
    assert (release.project, release.approval, release.policy) == ("one", "vote 12/3", "safe-harbor 1.1.0")
    assert (release.people, release.k, release.complete) == (2, 2, True)
    assert release.sha256 == hashlib.sha256(b"".join(research.lines)).hexdigest()
    assert release.bytes == len(b"".join(research.lines))
    assert withdrawn == []

    research.put([consent("p", "withdrawn", "2026-09-19")])
    name = research.vaults.known("one").of("p").names["Patient/p"]
    for seed in (2, 3):
        _, report = research.export(seed=seed)
        assert report.withdrawn == 1
    assert [(one.patient, one.noted) for one in research.releases.withdrawn(release.id)] == [
        (name, NOW.date())
    ]
    assert [len(withdrawn) for _, withdrawn in research.releases.all()].count(0) == 2


def test_whoever_is_erased_is_forgotten_and_listed(research):
    research.put([*person("p"), *person("q")])
    research.export()
    [(release, _)] = research.releases.all()
    vault = research.vaults.known("one")
    name = vault.of("p").names["Patient/p"]
    assert released_as(research.vaults, "p") == [name]
    withdraw(research.vaults, research.releases, "p", NOW.date())
    assert vault.find(name) is None
    assert vault.of("q").releases == [release.id]
    assert [one.patient for one in research.releases.withdrawn(release.id)] == [name]
    assert released_as(research.vaults, "p") == []


def test_what_is_computed_leaves_as_what_is_stored(research):
    research.put([*person("p"), observation("p", "o")])

    async def computed(id_):
        return [observation(id_, "computed", focus=[{"reference": "Observation/o"}])]

    lines, _ = research.export(computed=computed)
    stored, made = sorted(of(lines, "Observation"), key=len)
    assert made["focus"] == [{"reference": f"Observation/{stored['id']}"}]


def test_several_processes_release_what_one_does(research):
    research.put(
        [
            item
            for number in range(5)
            for item in [*person(f"p{number}"), observation(f"p{number}", f"o{number}")]
        ]
    )
    one, _ = research.export()
    two, report = research.export(processes=2)
    assert {line["id"] for line in one[1:-1]} == {line["id"] for line in two[1:-1]}
    assert report.people == 5
