"""Views read what the whole tree says, of ordinary, odd and foreign resources alike."""

from decimal import Decimal
from fractions import Fraction

import pytest
import tree_helpers as tree
from r4_examples import example_files
from stored_samples import (
    ABSENT,
    ACHIEVEMENT,
    OBSERVATION,
    answered,
    component,
    concept,
    criterion,
    goal,
    judgement,
    observation,
    ours,
    reference,
    target,
    trial,
)

from service.fhir.json import dump, parse
from service.records.views import Encounter, Goal, Observation, exact, views
from service.records.worded import WordedCondition, WordedObservation

WHEN = "2026-06-05T10:00:00Z"
BOUNDARIES = (
    "0",
    "-0",
    "1",
    "1.50",
    "-3",
    "0.000000000001",
    "9999999999999.999999999999",
    "1E-12",
    "3.0000000000000",
)
BEYOND = ("1E-13", "10000000000000", "-1E13", "0.1234567890123")
ENDLESS = ("1E999999", "1E-999999", "-1E-999999")

ODD = [
    trial(
        "plain", "closed", component("hold-duration", valueQuantity={"value": Decimal("2.50"), "code": "s"})
    ),
    trial("absent", "not-performed", answered("reason-not-rated", "refused")),
    judgement("plain", "", component("judged-before-result", valueBoolean=False)),
    observation("bare", "eat10-total", WHEN),
    {"resourceType": "Observation", "id": "least", "status": "final", "code": {"text": "something"}},
    {"resourceType": "Observation", "id": "no-codes", "status": "final", "code": {}, "component": []},
    observation("other-system", "eat10-total", WHEN, valueInteger=3)
    | {"code": concept("eat10-total", "urn:oid:1.2")},
    observation("codeless", "x", WHEN) | {"code": {"coding": [{"system": OBSERVATION}, {"code": "free"}]}},
    observation("twice", "x", WHEN, answered("posture", "chin-down"), answered("posture", "head-neutral")),
    observation(
        "no-value",
        "x",
        WHEN,
        component("posture"),
        component("posture", dataAbsentReason=concept("error", ABSENT)),
    ),
    observation("unit", "x", WHEN, component("hold-duration", valueQuantity={"value": 3, "code": "min"})),
    observation("unitless", "x", WHEN, valueQuantity={"unit": "s"}),
    observation("compared", "x", WHEN, valueQuantity={"value": 3, "comparator": "<"}),
    observation("period", "x", {"start": "2026-06", "end": "2026-06-05"}),
    observation("open-period", "x", {"end": "2026-06-05"}),
    observation("instant", "x", WHEN)
    | {"effectiveInstant": "2026-06-05T10:00:00.5Z", "effectiveDateTime": ""},
    observation(
        "shadow",
        "x",
        WHEN,
        valueString="ok",
        _valueString={"extension": [{"url": "urn:x", "valueInteger": 1}]},
    ),
    observation("range", "x", WHEN, valueRange={"low": {"value": 1}}, valueQuantity={}),
    observation(
        "elsewhere",
        "x",
        WHEN,
        focus=[reference("https://other.example.org/fhir/Goal/1"), {"display": "a goal"}],
    ),
    observation(
        "members",
        "x",
        WHEN,
        hasMember=[reference("Observation/1/_history/2"), {"identifier": {"value": "1"}}],
    ),
    observation(
        "nested", "x", WHEN, extension=[ours("x", extension=[ours("y", valueReference=reference("Goal/1"))])]
    ),
    *(
        observation(f"q{n}", "x", WHEN, valueQuantity={"value": Decimal(text)})
        for n, text in enumerate((*BOUNDARIES, *BEYOND))
    ),
    observation("integer", "x", WHEN, valueInteger=-(2**31)),
    goal("plain", criterion(visits=3, step=Decimal("0.5"))),
    goal("no-target", targets=[], startDate="2026"),
    goal(
        "string-target", targets=[{"detailString": "often"}, target(value=Decimal("80.0"), comparator=None)]
    ),
    goal("integer-target", targets=[{"measure": concept("eat10-total", OBSERVATION), "detailInteger": 9}]),
    goal("range-target", targets=[{"detailRange": {"high": {"value": 3}}, "dueDuration": {"value": 3}}]),
    goal(
        "coded",
        achievementStatus=concept("worsening", ACHIEVEMENT),
        description=concept("x"),
        statusReason="r",
    ),
    goal("foreign", {"url": "urn:x", "valueDuration": {"value": 3}}, ours("goal-importance", valueInteger=2)),
    {"resourceType": "Goal", "id": "least", "lifecycleStatus": "proposed", "description": {"text": "x"}},
    {"resourceType": "Encounter", "id": "least", "status": "planned", "class": {"code": "AMB"}},
    {
        "resourceType": "Encounter",
        "id": "e",
        "status": "finished",
        "period": {"start": WHEN},
        "class": {"code": "AMB"},
    },
]
KINDS = {"Observation": Observation, "Goal": Goal, "Encounter": Encounter}


def one_view(kind, resource):
    (found,) = views(kind, [dump(resource)])
    return found


def same_value(view, element):
    assert view.value_codeable_concept.own == tree.own_code(element.get("valueCodeableConcept"))
    assert (view.number(), view.number("s")) == (tree.number(element), tree.number(element, "s"))
    assert view.whole == tree.whole(element)
    assert view.value_boolean == element.get("valueBoolean")
    assert view.value_string == element.get("valueString", "")


def same_observation(view, resource):
    same_value(view, resource)
    assert (view.id, view.status) == (resource["id"], resource["status"])
    assert view.code.own == tree.own_code(resource["code"])
    assert view.effective == (tree.effective(resource) or "")
    assert view.data_absent_reason.of(ABSENT) == tree.code_in(resource.get("dataAbsentReason"), ABSENT)
    assert view.encounter.reference == resource.get("encounter", {}).get("reference", "")
    for name, own in (("focus", view.focus), ("hasMember", view.has_member)):
        assert [one.reference for one in own] == [one.get("reference", "") for one in resource.get(name, ())]
    for code in {tree.own_code(one.get("code")) for one in resource.get("component", ())} | {"not there"}:
        assert view.parts[code] is view.part(code)
        same_value(view.part(code), tree.component(resource, code))


def same_goal(view, resource):
    assert (view.id, view.lifecycle_status) == (resource["id"], resource["lifecycleStatus"])
    assert view.description.text == resource["description"].get("text", "")
    assert view.achievement_status.of(ACHIEVEMENT) == tree.code_in(
        resource.get("achievementStatus"), ACHIEVEMENT
    )
    dates = (view.start_date, view.status_date, view.status_reason)
    assert dates == tuple(resource.get(name, "") for name in ("startDate", "statusDate", "statusReason"))
    for name in ("goal-criterion", "goal-importance"):
        found, wanted = list(view.extensions(name)), tree.extensions(resource, name)
        assert [one.value_integer for one in found] == [one.get("valueInteger") for one in wanted]
        parts = [part for one in wanted for part in one.get("extension", ())]
        numbers = [(one["url"], one.get("valuePositiveInt", one.get("valueDecimal"))) for one in parts]
        assert [(part.url, part.number) for one in found for part in one.extension] == numbers
    for own, element in zip(view.target, resource.get("target", ()), strict=True):
        quantity = element.get("detailQuantity", {})
        assert (own.measure.own, own.due_date) == (
            tree.own_code(element.get("measure")),
            element.get("dueDate", ""),
        )
        assert (own.detail_integer, own.detail_quantity.value) == (
            element.get("detailInteger"),
            quantity.get("value"),
        )
        assert own.detail_quantity.comparator == quantity.get("comparator", "")


def same_encounter(view, resource):
    assert (view.id, view.status) == (resource["id"], resource["status"])
    assert view.period.start == resource.get("period", {}).get("start", "")


SAME = {"Observation": same_observation, "Goal": same_goal, "Encounter": same_encounter}


@pytest.mark.parametrize("resource", ODD, ids=lambda one: f"{one['resourceType']}/{one['id']}")
def test_a_view_says_what_the_tree_says(resource):
    resource = parse(dump(resource))
    SAME[resource["resourceType"]](one_view(KINDS[resource["resourceType"]], resource), resource)


@pytest.mark.published("official FHIR R4 examples")
@pytest.mark.parametrize("type_", KINDS)
def test_official_examples_are_read_as_their_trees(type_, tell):
    resources = [parse(path.read_bytes()) for path in example_files(type_)]
    for resource in resources:
        SAME[type_](one_view(KINDS[type_], resource), resource)
    assert resources
    tell(f"{len(resources)} examples of {type_}")


@pytest.mark.parametrize("text", BOUNDARIES)
def test_numbers_are_exact(text):
    assert exact(Decimal(text)) == Fraction(text)


@pytest.mark.parametrize("text", [*BEYOND, *ENDLESS])
def test_what_nothing_measures_is_no_number(text):
    assert exact(Decimal(text)) is None


@pytest.mark.parametrize(
    "wrong",
    [
        {"valueInteger": "3"},
        {"effectiveDateTime": 2026},
        {"focus": [None]},
    ],
)
def test_what_does_not_have_the_shape_of_its_type_is_passed_over(wrong):
    right = observation("right", "x", WHEN)
    found = views(Observation, [dump(observation("wrong", "x", WHEN) | wrong), dump(right)])
    assert [one.id for one in found] == ["right"]


@pytest.mark.parametrize("wrong", [None, [], {"coding": {}}, {"coding": [{"code": 1}]}])
def test_a_concept_without_the_shape_of_one_says_nothing(wrong):
    (found,) = views(Observation, [dump(observation("a", "x", WHEN) | {"code": wrong})])
    assert (found.own, found.code.own) == ("", "")


@pytest.mark.parametrize("wrong", [None, {"code": {}}, [None], [{"valueInteger": "3"}]])
def test_components_without_the_shape_of_any_are_none(wrong):
    (found,) = views(Observation, [dump(observation("a", "x", WHEN) | {"component": wrong})])
    assert (found.component, dict(found.parts), found.part("posture").answer) == ((), {}, "")


def test_words_are_the_text_else_the_last_display_or_code():
    coded = {"coding": [{"code": "1", "display": "One"}, {"code": "2", "display": "Two"}]}
    for given, words in (
        (coded | {"text": "Text"}, "Text"),
        (coded, "Two"),
        ({"coding": [{"code": "1"}]}, "1"),
    ):
        assert one_view(WordedCondition, {"code": given}).code.words == words
    assert one_view(WordedCondition, {}).code.words == ""


def test_a_worded_observation_answers_like_one_with_codes_alone():
    for resource in (one for one in ODD if one["resourceType"] == "Observation"):
        plain, worded = one_view(Observation, resource), one_view(WordedObservation, resource)
        assert (worded.answer, worded.number(), worded.effective) == (
            plain.answer,
            plain.number(),
            plain.effective,
        )
        assert worded.part("posture").answer == plain.part("posture").answer
