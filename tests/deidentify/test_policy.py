import copy
import json
import random
from dataclasses import replace
from datetime import date

import planted
import pytest

from service.deidentify import policy as policies
from service.deidentify.policy import Deidentifier, Refusal
from service.deidentify.pseudonyms import Pseudonyms
from service.deidentify.rules import Release
from service.fhir.canonical import extension
from service.jobs.research_policies import VARIANTS, policy_document
from service.shipped import shipped

POLICIES = {name: policy_document(name) for name in VARIANTS}
POLICY = POLICIES["safe-harbor"]
ALLOWED = {"limited-data-set": {"kept date", "full classification code"}}
"""Kinds of planted things that a policy lets out: to 45 CFR 164.514(e)(2) they are no identifiers."""
SHIFT, FIRST = -47, date(2020, 1, 1)
SCT = "http://snomed.info/sct"
DYSPHAGIA = {"coding": [{"system": SCT, "code": "40739000"}]}
RATERS = "a-random-code"


def compiled(policy=POLICY):
    return Deidentifier(policy, vocabulary=planted.VOCABULARY, restricted_zip3=["036", "821"])


def release_of(resources, day=planted.RELEASED, **more):
    names = Pseudonyms({}, random.Random(7).getrandbits)  # noqa: S311 - chance that can be repeated
    keys = {f"{item['resourceType']}/{item['id']}" for item in resources}
    given = {"shift": SHIFT, "first_visit": FIRST, "rater": lambda _: RATERS} | more
    return Release(day, lambda key: names.of(key) if key in keys else None, **given)


def let_out(resources, policy=POLICY):
    release, deidentify = release_of(resources), compiled(policy)
    return [kept for item in resources if isinstance(kept := deidentify(item, release), dict)]


def one(resource, day=date(2026, 9, 20), variant="safe-harbor"):
    patient = {"resourceType": "Patient", "id": "p"}
    stored = {"id": "x", "subject": {"reference": "Patient/p"}, **resource}
    return compiled(POLICIES[variant])(stored, release_of([patient, stored], day))


@pytest.fixture(scope="module")
def corpus():
    made = planted.Corpus(POLICY)
    return made, made.resources()


@pytest.fixture(scope="module")
def unruly():
    """Policies have a rule that keeps everything."""
    real = policies._named_rules
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            policies, "_named_rules", lambda *args: {**real(*args), "everything": lambda value, _: value}
        )
        yield


@pytest.mark.parametrize("variant", VARIANTS)
def test_nothing_planted_gets_out(variant, corpus, tell):
    made, resources = corpus
    out = let_out(resources, POLICIES[variant])
    assert {item["resourceType"] for item in out} == set(POLICY["resources"])
    forbidden = made.forbidden(ALLOWED.get(variant, ()))
    assert planted.found_in(forbidden, out) == []
    tell(f"{variant}: {len(forbidden)} identifiers of {len(made.kinds)} kinds planted, 0 let out")


@pytest.mark.usefixtures("unruly")
@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("type_", POLICY["resources"])
def test_nothing_planted_where_something_is_kept_gets_out_and_without_its_rule_it_would(
    type_, variant, corpus
):
    made, resources = corpus
    policy = POLICIES[variant] | {"resources": {type_: POLICIES[variant]["resources"][type_]}}
    base = next(item for item in resources if item["resourceType"] == type_)
    with_rule, release = compiled(policy), release_of(resources)
    for path in policy["resources"][type_]["elements"]:
        listed = policy["resources"][type_]
        broken = {type_: listed | {"elements": listed["elements"] | {path: "everything"}}}
        without_rule = compiled(policy | {"resources": broken})
        leaked = False
        for hostile, tokens in made.hostile(base, path):
            kept, leaking = with_rule(hostile, release), without_rule(hostile, release)
            assert isinstance(kept, Refusal) or planted.found_in(tokens, [kept]) == []
            leaked |= isinstance(leaking, dict) and planted.found_in(tokens, [leaking]) != []
        assert leaked, path


@pytest.mark.usefixtures("unruly")
@pytest.mark.parametrize("variant", VARIANTS)
def test_an_extension_let_out_whole_would_leak(variant, corpus):
    made, resources = corpus
    goal = next(item for item in resources if item["resourceType"] == "Goal")
    only = POLICIES[variant] | {"resources": {"Goal": POLICY["resources"]["Goal"]}}
    values = made.of_kind("value of a listed extension")
    for url in POLICY["extensions"]:
        broken = only | {"extensions": POLICY["extensions"] | {url: {"valueString": "everything"}}}
        assert planted.found_in(values, [compiled(broken)(goal, release_of(resources))]), url


@pytest.mark.parametrize("variant", VARIANTS)
def test_ids_raters_and_dates_that_are_not_replaced_would_leak(variant, corpus):
    made, resources = corpus
    as_stored = release_of(resources, rater=lambda key: key)
    assert planted.found_in(
        made.tokens, [compiled(POLICIES[variant])(resources[0], replace(as_stored, identify=str))]
    )
    observation = next(item for item in resources if item["resourceType"] == "Observation")
    practitioner = {"performer": [{"reference": f"Practitioner/{made.tokens[0]}"}]}
    kept = compiled(POLICIES[variant])(observation | practitioner, as_stored)
    assert bool(planted.found_in([made.tokens[0]], [kept])) is POLICIES[variant]["rater_codes"]
    if variant in ("safe-harbor", "shifted-dates"):
        wrong = compiled(POLICIES[variant] | {"dates": "stored"})
        assert planted.found_in(made.forbidden(), [wrong(item, as_stored) for item in resources])


@pytest.mark.parametrize("variant", ["safe-harbor", "safe-harbor-days"])
def test_only_years_of_dates_get_out(variant, corpus):
    _, resources = corpus
    for item in let_out(resources, POLICIES[variant]):
        body = {name: value for name, value in item.items() if name not in ("id", "meta")}
        texts = [leaf for leaf in planted.leaves(body) if "/" not in leaf]
        assert not [leaf for leaf in texts if planted.DATE_WITHIN.search(leaf)]


VISIT = {
    "resourceType": "Encounter",
    "status": "finished",
    "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
    "period": {"start": "2026-02-03T09:00:00-05:00", "end": "2026-03-24"},
}


@pytest.mark.parametrize(
    ("variant", "start", "end"),
    [
        ("safe-harbor", "2026", "2026"),
        ("safe-harbor-days", 2225, 2274),
        ("limited-data-set", "2026-02-03T09:00:00-05:00", "2026-03-24"),
        ("shifted-dates", "2025-12-18", "2026-02-05"),
    ],
)
def test_each_policy_lets_dates_out_in_its_way(variant, start, end):
    kept = one(VISIT, variant=variant)["period"]
    days = {"url": extension("days-since-first-visit")}
    said = (
        {
            f"_{name}": {"extension": [days | {"valueInteger": n}]}
            for name, n in (("start", start), ("end", end))
        }
        if variant == "safe-harbor-days"
        else {"start": start, "end": end}
    )
    assert kept == said


@pytest.mark.parametrize(
    ("variant", "birth", "said"),
    [
        ("safe-harbor", "1958", []),
        ("safe-harbor-days", "1958", [("first-visit-year", "2020")]),
        ("limited-data-set", "1958-01-20", []),
        ("shifted-dates", "1957", []),
    ],
)
def test_each_policy_lets_a_birth_date_out_in_its_way(variant, birth, said):
    kept = one({"resourceType": "Patient", "birthDate": "1958-01-20"}, variant=variant)
    assert kept["birthDate"] == birth
    assert [(item["url"], item["valueDate"]) for item in kept.get("extension", [])] == [
        (extension(name), year) for name, year in said
    ]


@pytest.mark.parametrize(
    ("variant", "shown"),
    [("safe-harbor", None), ("limited-data-set", "1935-03-14"), ("shifted-dates", None)],
)
@pytest.mark.published("45 CFR 164.514(b)(2)(i)(C); (e)(2) has no ages")
def test_ages_over_89_stay_in_a_limited_data_set_alone(variant, shown):
    kept = one({"resourceType": "Patient", "birthDate": "1935-03-14"}, date(2026, 9, 11), variant)
    assert kept.get("birthDate") == shown
    assert ("extension" in kept) is (shown is None)


def test_a_moved_birth_date_that_shows_90_hides_a_true_age_of_89():
    kept = one({"resourceType": "Patient", "birthDate": "1936-09-22"}, variant="shifted-dates")
    assert "birthDate" not in kept
    assert kept["extension"] == [{"url": extension("age-class"), "valueString": "80-89"}]


@pytest.mark.published("45 CFR 164.514(e)(2)(ii): town or city, State, and zip code may stay")
def test_a_limited_data_set_keeps_town_and_zip_code():
    place = {"line": ["1 Road"], "city": "St. Mary's", "state": "NH", "postalCode": "03602-1234"}
    kept = one({"resourceType": "Patient", "address": [place]}, variant="limited-data-set")
    assert kept["address"] == [{"state": "NH", "city": "St. Mary's", "postalCode": "03602"}]


def test_a_label_keeps_a_resource_from_research_unless_the_policy_says_otherwise():
    label = {"system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", "code": "R"}
    stored = {"resourceType": "Patient", "id": "p", "meta": {"security": [label]}}
    release = release_of([stored])
    assert compiled()(stored, release) is Refusal.LABEL
    assert isinstance(compiled(POLICY | {"withheld_labels": []})(stored, release), dict)


@pytest.mark.parametrize("wrong", [{"dates": "rounded"}, {"places_shown": "street"}])
def test_a_way_that_does_not_exist_is_refused_when_the_policy_is_compiled(wrong):
    with pytest.raises(ValueError, match="There is no way"):
        compiled(POLICY | wrong)


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
    assert set(test["meta"]) == {"profile", "security"}
    assert test["meta"]["profile"] == [extension("deidentified-patient")]


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
    urls = [*POLICY["extensions"], *POLICY["extension_urls"].values()]
    ours = [url for url in urls if not url.startswith("http://hl7.org/fhir/StructureDefinition/")]
    assert all(url == extension(url.rsplit("/", 1)[1]) for url in ours)
    assert len(ours) == len(urls) - 2  # the standard's: a goal an exercise serves, why data are absent


def test_every_question_of_the_safety_screen_may_be_answered():
    screen = json.loads(shipped("mappings", "protocols", "safety-screen.json").read_text("utf-8"))
    assert POLICY["resources"]["QuestionnaireResponse"]["elements"]["item.linkId"] == [
        item["key"] for item in screen["items"]
    ]
