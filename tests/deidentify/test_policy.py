import copy
import json
import random
from datetime import date

import planted
import pytest

from service.deidentify import policy as policies
from service.deidentify.policy import Deidentifier, Refusal
from service.deidentify.pseudonyms import Pseudonyms
from service.deidentify.rules import Release
from service.fhir.canonical import extension
from service.shipped import shipped

POLICY = json.loads(shipped("mappings", "policies", "safe-harbor.json").read_text("utf-8"))
PATHS = [(type_, path) for type_, listed in POLICY["resources"].items() for path in listed["elements"]]
SCT = "http://snomed.info/sct"
DYSPHAGIA = {"coding": [{"system": SCT, "code": "40739000"}]}


def compiled(policy=POLICY):
    return Deidentifier(policy, vocabulary=planted.VOCABULARY, restricted_zip3=["036", "821"])


def release_of(resources, day=planted.RELEASED):
    names = Pseudonyms({}, random.Random(7).getrandbits)  # noqa: S311 - chance that can be repeated
    keys = {f"{item['resourceType']}/{item['id']}" for item in resources}
    return Release(day, lambda key: names.of(key) if key in keys else None)


def let_out(resources, policy=POLICY):
    release, deidentify = release_of(resources), compiled(policy)
    return [kept for item in resources if isinstance(kept := deidentify(item, release), dict)]


def one(resource, day=date(2026, 9, 20)):
    patient = {"resourceType": "Patient", "id": "p"}
    stored = {"id": "x", "subject": {"reference": "Patient/p"}, **resource}
    return compiled()(stored, release_of([patient, stored], day))


@pytest.fixture(scope="module")
def corpus():
    made = planted.Corpus(POLICY)
    return made, made.resources()


def test_nothing_planted_gets_out(corpus, tell):
    made, resources = corpus
    out = let_out(resources)
    assert {item["resourceType"] for item in out} == set(POLICY["resources"])
    assert planted.found_in(made.tokens, out) == []
    tell(f"{len(made.tokens)} identifiers of {len(made.kinds)} kinds planted, 0 let out")


@pytest.mark.parametrize(("type_", "path"), PATHS)
def test_nothing_planted_where_something_is_kept_gets_out_and_without_its_rule_it_would(
    type_, path, corpus, monkeypatch
):
    made, resources = corpus
    real = policies._named_rules
    monkeypatch.setattr(
        policies, "_named_rules", lambda *args: {**real(*args), "everything": lambda value, _: value}
    )
    broken = copy.deepcopy(POLICY)
    broken["resources"][type_]["elements"][path] = "everything"
    base = next(item for item in resources if item["resourceType"] == type_)
    with_rule, without_rule = compiled(), compiled(broken)
    leaked = False
    for hostile, tokens in made.hostile(base, path):
        release = release_of(resources)
        kept, leaking = with_rule(hostile, release), without_rule(hostile, release)
        assert isinstance(kept, Refusal) or planted.found_in(tokens, [kept]) == []
        leaked |= isinstance(leaking, dict) and planted.found_in(tokens, [leaking]) != []
    assert leaked


@pytest.mark.parametrize("url", POLICY["extensions"])
def test_an_extension_let_out_whole_would_leak(url, corpus, monkeypatch):
    made, resources = corpus
    goal = next(item for item in resources if item["resourceType"] == "Goal")
    real = policies._named_rules
    monkeypatch.setattr(
        policies, "_named_rules", lambda *args: {**real(*args), "everything": lambda value, _: value}
    )
    broken = copy.deepcopy(POLICY)
    broken["extensions"][url] = {"valueString": "everything"}
    assert planted.found_in(made.tokens, [compiled(broken)(goal, release_of(resources))])


def test_ids_that_are_not_replaced_would_leak(corpus):
    made, resources = corpus
    release = Release(planted.RELEASED, lambda key: key.split("/")[1])
    assert planted.found_in(made.tokens, [compiled()(resources[0], release)])


def test_only_years_of_dates_get_out(corpus):
    _, resources = corpus
    for item in let_out(resources):
        body = {name: value for name, value in item.items() if name != "id"}
        texts = [leaf for leaf in planted.leaves(body) if "/" not in leaf]
        assert not [leaf for leaf in texts if planted.DATE_WITHIN.search(leaf)]


@pytest.mark.published("45 CFR 164.514(b)(2)(i)(B) and (C)")
def test_a_person_of_91_in_a_small_zip_area():
    sent = {
        "resourceType": "Patient",
        "birthDate": "1935-03-14",
        "gender": "male",
        "address": [{"state": "WY", "postalCode": "82190", "country": "US"}],
    }
    kept = one(sent, date(2026, 9, 11))
    assert kept["extension"] == [{"url": extension("age-class"), "valueString": "90 or older"}]
    assert "birthDate" not in kept
    assert kept["address"] == [{"state": "WY", "postalCode": "000", "country": "US"}]


def test_a_younger_person_keeps_the_birth_year_and_has_no_age_class():
    kept = one({"resourceType": "Patient", "birthDate": "1958-06-02"})
    assert kept["birthDate"] == "1958"
    assert "extension" not in kept


def test_a_bare_patient_may_leave_and_a_birth_date_in_words_does_not():
    kept = one({"resourceType": "Patient", "birthDate": "about 1930"})
    assert set(kept) == {"resourceType", "id", "meta"}


@pytest.mark.parametrize(
    ("sent", "kept"), [({"deceasedDateTime": "2026-05-01"}, True), ({"deceasedBoolean": False}, False)]
)
def test_that_somebody_died_is_told_and_not_when(sent, kept):
    out = one({"resourceType": "Patient", **sent})
    assert out["deceasedBoolean"] is kept
    assert "deceasedDateTime" not in out


@pytest.mark.parametrize(
    ("performer", "roles"),
    [
        (["Practitioner/1"], ["clinician"]),
        (["Practitioner/1", "PractitionerRole/2"], ["clinician"]),
        (["Patient/p"], ["patient"]),
        (["Patient/p", "Practitioner/1"], ["patient", "clinician"]),
        (["Organization/1"], []),
        (["https://hospital.example.org/Practitioner/1"], []),
    ],
)
def test_a_performer_becomes_a_role(performer, roles):
    sent = {
        "resourceType": "Observation",
        "status": "final",
        "code": DYSPHAGIA,
        "performer": [{"reference": text, "display": "Avis Supposed"} for text in performer],
    }
    kept = one(sent)
    found = [
        item["valueCode"] for item in kept.get("extension", []) if item["url"] == extension("performer-role")
    ]
    assert found == roles
    assert "performer" not in kept


def test_a_value_that_is_hidden_is_said_to_be_masked():
    sent = {
        "resourceType": "Observation",
        "status": "final",
        "code": DYSPHAGIA,
        "valueString": "told me about his daughter",
        "component": [
            {"code": DYSPHAGIA, "valueDateTime": "2026-05-01"},
            {"code": DYSPHAGIA, "valueInteger": 3},
            {"code": {"text": "phone"}, "valueInteger": 4},
            {"code": DYSPHAGIA},
        ],
    }
    kept = one(sent)
    masked = {
        "coding": [
            {
                "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason",
                "code": "masked",
                "display": "Masked",
            }
        ]
    }
    label = {"coding": [{"system": SCT, "code": "40739000", "display": "Dysphagia"}]}
    assert kept["dataAbsentReason"] == masked
    assert kept["component"] == [
        {"code": label, "dataAbsentReason": masked},
        {"code": label, "valueInteger": 3},
        {"code": label},
    ]


def test_a_goal_in_free_text_is_masked():
    kept = one(
        {
            "resourceType": "Goal",
            "lifecycleStatus": "active",
            "description": {"text": "sing at Odile's wedding"},
        }
    )
    assert kept["description"] == {
        "extension": [
            {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "masked"}
        ]
    }


CONDITION = {"resourceType": "Condition", "code": DYSPHAGIA}


@pytest.mark.parametrize(
    ("sent", "why"),
    [
        ({"resourceType": "Practitioner"}, Refusal.TYPE),
        ({**CONDITION, "implicitRules": "http://example.org/rules"}, Refusal.RULES),
        (
            {**CONDITION, "modifierExtension": [{"url": "http://example.org/not", "valueBoolean": True}]},
            Refusal.MODIFIER,
        ),
        ({**CONDITION, "code": {"coding": [{"system": SCT, "code": "230690007"}]}}, Refusal.REQUIRED),
        ({**CONDITION, "code": {"text": "stroke"}}, Refusal.REQUIRED),
        ({**CONDITION, "subject": {"reference": "Patient/another"}}, Refusal.REQUIRED),
        (
            {
                **CONDITION,
                "verificationStatus": {
                    "coding": [
                        {
                            "system": "http://terminology.hl7.org/CodeSystem/condition-ver-status",
                            "code": "entered-in-error",
                        }
                    ]
                },
            },
            Refusal.MEANING,
        ),
        ({"resourceType": "Observation", "status": "entered-in-error", "code": DYSPHAGIA}, Refusal.REQUIRED),
        (
            {"resourceType": "Goal", "lifecycleStatus": "entered-in-error", "description": {}},
            Refusal.REQUIRED,
        ),
    ],
)
def test_what_would_say_something_else_does_not_leave(sent, why):
    assert one(sent) is why


def test_a_modifier_extension_deep_inside_counts_and_one_in_a_dropped_part_does_not():
    goal = {"resourceType": "Goal", "lifecycleStatus": "active", "description": DYSPHAGIA}
    modifier = [{"url": "http://example.org/not", "valueBoolean": True}]
    assert one({**goal, "target": [{"modifierExtension": modifier}]}) is Refusal.MODIFIER
    assert isinstance(
        one({**goal, "contained": [{"resourceType": "Group", "modifierExtension": modifier}]}), dict
    )


def test_labels_say_what_was_done_and_test_data_stay_test_data():
    real = one(
        {
            "resourceType": "Patient",
            "meta": {"security": [{"system": "http://local", "code": "VIP", "display": "Bram"}]},
        }
    )
    assert [label["code"] for label in real["meta"]["security"]] == [
        "L",
        "PSEUDED",
        "ABSTRED",
        "REDACTED",
        "HRESCH",
    ]
    htest = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}
    test = one(
        {"resourceType": "Patient", "meta": {"security": [htest], "profile": ["http://example.org/p"]}}
    )
    assert test["meta"]["security"][-1]["code"] == "HTEST"
    assert set(test["meta"]) == {"security"}


def test_a_rule_that_does_not_exist_is_refused_when_the_policy_is_compiled():
    broken = copy.deepcopy(POLICY)
    broken["resources"]["Patient"]["elements"]["gender"] = "keep it"
    with pytest.raises(ValueError, match="no de-identification rule 'keep it'"):
        compiled(broken)


def test_the_stored_resource_stays_as_it_is(corpus):
    _, resources = corpus
    before = copy.deepcopy(resources)
    let_out(resources)
    assert resources == before


def test_our_own_extensions_bear_our_names():
    urls = [*POLICY["extensions"], POLICY["extension_urls"]["age_class"], POLICY["extension_urls"]["role"]]
    ours = [url for url in urls if not url.startswith("http://hl7.org/fhir/StructureDefinition/")]
    assert all(url == extension(url.rsplit("/", 1)[1]) for url in ours)
    assert len(ours) == len(urls) - 1  # the standard's link from an exercise to its goal


def test_every_question_of_the_safety_screen_may_be_answered():
    screen = json.loads(shipped("mappings", "protocols", "safety-screen.json").read_text("utf-8"))
    assert POLICY["resources"]["QuestionnaireResponse"]["elements"]["item.linkId"] == [
        item["key"] for item in screen["items"]
    ]
