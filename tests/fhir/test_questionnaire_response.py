"""Answers against their form: single faults, each with a control that differs in that point alone."""

from collections.abc import Iterator
from typing import Any

import pytest
from form_samples import FORM, GONE, PLACES, RESPONSE, answered, changed, coding, when
from hypothesis import given, settings
from hypothesis import strategies as st
from r4_examples import example_files

from service.fhir.json import Tree, parse
from service.fhir.validation import check
from service.fhir.validation.fault import Fault
from service.fhir.validation.questionnaire_response import check_answers
from service.fhir.value_sets import member

pytestmark = pytest.mark.conformance("E10")

Change = tuple[str, Any]
X = {"valueString": "x"}
SECOND_VISIT = "item[7]"


def at(link: str, rest: str = "") -> str:
    return f"{PLACES[link]}{rest}"


def value(link: str, kind: str, new: Any) -> list[Change]:
    """Another answer to a question, of whatever type."""
    return [(at(link, ".answer[0]"), {f"value{kind}": new})]


def added(link: str, *values: Any) -> list[Change]:
    """An item at the end."""
    return [("item[99]", answered(link, *(values or [X])))]


FAULTS: dict[str, tuple[list[Change], str, list[Change]]] = {
    # what is wrong: (the fault, where it is told, the control)
    "an item the form does not have": (added("nothing"), "item[14].linkId", []),
    "an item of another group": (added("age", {"valueInteger": 44}), "item[14].linkId", []),
    "a nested item at the top": (added("often", {"valueInteger": 1}), "item[14].linkId", []),
    "items in another order": (
        [(at("level"), RESPONSE["item"][4]), (at("liquid"), RESPONSE["item"][3])],
        "item[4]",
        [(at("level"), GONE)],
    ),
    "items of a group in another order": (
        [
            (at("age"), answered("weight", {"valueDecimal": 60.5})),
            (at("weight"), answered("age", {"valueInteger": 44})),
        ],
        "item[0].item[2]",
        [(at("site"), GONE)],
    ),
    "an item twice": ([(at("liquid"), RESPONSE["item"][3])], "item[4]", [(at("liquid"), GONE)]),
    "a group twice that does not repeat": (
        [("item[99]", RESPONSE["item"][13])],
        "item[14]",
        [(SECOND_VISIT, GONE)],
    ),
    "a repeated group too often": (
        [
            (SECOND_VISIT, RESPONSE["item"][6]),
            ("item[8]", RESPONSE["item"][6]),
            ("item[9]", RESPONSE["item"][6]),
            ("item[10]", GONE),
            ("item[10]", GONE),
            ("item[10]", GONE),
            ("item[10]", answered("consent", {"valueBoolean": True})),
        ],
        "item[9]",
        [(SECOND_VISIT, RESPONSE["item"][6])],
    ),
    "a repeated group in two places": (
        [("item[99]", RESPONSE["item"][6])],
        "item[14]",
        [],
    ),
    "two answers where one is allowed": (
        [(at("level", ".answer[1]"), {"valueInteger": 3})],
        at("level", ".answer"),
        value("level", "Integer", 3),
    ),
    "more answers than the form allows": (
        [(at("foods", ".answer[2]"), {"valueCoding": coding("liquid")})],
        at("foods", ".answer"),
        [(at("foods", ".answer[1]"), GONE)],
    ),
    "an answer that excludes others": (
        [(at("foods", ".answer[1]"), {"valueCoding": coding("none")})],
        at("foods", ".answer"),
        [(at("foods", ".answer"), [{"valueCoding": coding("none")}])],
    ),
    "a text for a choice": (value("swallow", "String", "yes"), at("swallow", ".answer[0].valueString"), []),
    "a text for a number": (value("steps", "String", "44"), at("steps", ".answer[0].valueString"), []),
    "a decimal for an integer": (value("steps", "Decimal", 44.0), at("steps", ".answer[0].valueDecimal"), []),
    "an integer for a decimal": (
        value("weight", "Integer", 60),
        at("weight", ".answer[0].valueInteger"),
        value("weight", "Decimal", 60),
    ),
    "a date for a moment": (
        value("seen", "Date", "2026-02-04"),
        at("seen", ".answer[0].valueDate"),
        value("seen", "DateTime", "2026-02-04"),
    ),
    "a moment for a date": (
        value("born", "DateTime", "1982-05-01"),
        at("born", ".answer[0].valueDateTime"),
        value("born", "Date", "1982-05-01"),
    ),
    "a text for a time": (value("at", "String", "10:30"), at("at", ".answer[0].valueString"), []),
    "a uri for a text": (value("note", "Uri", "urn:x"), at("note", ".answer[0].valueUri"), []),
    "a text for a url": (value("site", "String", "x"), at("site", ".answer[0].valueString"), []),
    "a text for a file": (value("photo", "String", "x"), at("photo", ".answer[0].valueString"), []),
    "a text for a reference": (value("doctor", "String", "x"), at("doctor", ".answer[0].valueString"), []),
    "a number for a quantity": (value("volume", "Decimal", 5), at("volume", ".answer[0].valueDecimal"), []),
    "a choice for yes or no": (
        [("item[13].item[0].item[0].answer[0]", {"valueCoding": coding("yes")})],
        "item[13].item[0].item[0].answer[0].valueCoding",
        [("item[13].item[0].item[0].answer[0]", {"valueBoolean": False})],
    ),
    "a code that is not offered": (
        [(at("foods", ".answer[1].valueCoding"), coding("mixed"))],
        at("foods", ".answer[1].valueCoding"),
        [(at("foods", ".answer[1].valueCoding"), coding("liquid"))],
    ),
    "the offered code of another system": (
        [(at("liquid", ".answer[0].valueCoding.system"), "urn:x")],
        at("liquid", ".answer[0].valueCoding"),
        [(at("liquid", ".answer[0].valueCoding.display"), "Thin")],
    ),
    "a number that is not offered": (
        value("level", "Integer", 4),
        at("level", ".answer[0].valueInteger"),
        value("level", "Integer", 1),
    ),
    "a code for an offered number": (
        value("level", "String", "2"),
        at("level", ".answer[0].valueString"),
        [],
    ),
    "an open choice of another code": (
        value("liquid", "Coding", coding("jelly")),
        at("liquid", ".answer[0].valueCoding"),
        value("liquid", "String", "jelly"),
    ),
    "an open choice of a number": (
        value("liquid", "Integer", 1),
        at("liquid", ".answer[0].valueInteger"),
        [],
    ),
    "a code outside of the value set": (
        [(at("gender", ".answer[0].valueCoding.code"), "purple")],
        at("gender", ".answer[0].valueCoding"),
        [(at("gender", ".answer[0].valueCoding.code"), "unknown")],
    ),
    "a text that is too long": (
        value("name", "String", "a" * 11),
        at("name", ".answer[0].valueString"),
        value("name", "String", "a" * 10),
    ),
    "a text that is too short": (
        value("name", "String", "a"),
        at("name", ".answer[0].valueString"),
        value("name", "String", "ab"),
    ),
    "a number below the least": (
        value("steps", "Integer", -1),
        at("steps", ".answer[0].valueInteger"),
        value("steps", "Integer", 0),
    ),
    "a number above the most": (
        value("steps", "Integer", 121),
        at("steps", ".answer[0].valueInteger"),
        value("steps", "Integer", 120),
    ),
    "a decimal below the least": (
        value("weight", "Decimal", 20.4),
        at("weight", ".answer[0].valueDecimal"),
        value("weight", "Decimal", 20.5),
    ),
    "a decimal of too many places": (
        value("weight", "Decimal", 60.25),
        at("weight", ".answer[0].valueDecimal"),
        value("weight", "Decimal", 60.2),
    ),
    "a date before the first": (
        [*value("born", "Date", "1899-12-31"), *added("early")][:1],
        at("born", ".answer[0].valueDate"),
        value("born", "Date", "1900-01-01"),
    ),
    "a date after the last": (
        value("born", "Date", "2027"),
        at("born", ".answer[0].valueDate"),
        value("born", "Date", "2026-12-31"),
    ),
    "a time before the first": (
        value("at", "Time", "07:59:59"),
        at("at", ".answer[0].valueTime"),
        value("at", "Time", "08:00:00"),
    ),
    "a reference to another type": (
        value("doctor", "Reference", {"reference": "Patient/1"}),
        at("doctor", ".answer[0].valueReference"),
        value("doctor", "Reference", {"display": "somebody"}),
    ),
    "a unit that is not offered": (
        [(at("volume", ".answer[0].valueQuantity.code"), "L")],
        at("volume", ".answer[0].valueQuantity"),
        value("volume", "Quantity", {"value": 5, "unit": "ml"}),
    ),
    "a group with an answer": (
        [(at("person", ".answer"), [X])],
        at("person", ".answer"),
        [(at("person", ".text"), "Person")],
    ),
    "items of a question outside of its answer": (
        [
            (at("swallow", ".item"), [answered("why")]),
            (at("swallow", ".answer[0].valueCoding"), coding("yes")),
        ],
        at("swallow", ".item"),
        [],
    ),
    "an answer to what is only shown": (
        [(at("shown", ".answer"), [X])],
        at("shown"),
        [(at("shown"), GONE)],
    ),
    "a required answer that is missing": (
        [(at("name", ".answer"), GONE), (at("named"), {"linkId": "named"})],
        at("name"),
        [("status", "in-progress"), (at("name", ".answer"), GONE), (at("named"), {"linkId": "named"})],
    ),
    "a required item that is missing": (
        [("item[8]", GONE), ("item[8]", GONE), ("item[8]", GONE), ("item[10]", GONE)],
        "",
        [
            ("status", "in-progress"),
            ("item[8]", GONE),
            ("item[8]", GONE),
            ("item[8]", GONE),
            ("item[10]", GONE),
        ],
    ),
    "a required answer of a repeated group that is missing": (
        [("item[6].item[0]", GONE)],
        "item[6]",
        [("item[6].item[1]", GONE)],
    ),
    "a required answer below an answer that is missing": (
        [(at("swallow", ".answer[0].item[0]"), GONE)],
        at("swallow", ".answer[0]"),
        [(at("swallow", ".answer[0]"), {"valueCoding": coding("no")})],
    ),
    "a required answer of a nested group that is missing": (
        [(at("swallow", ".answer[0].item[1].item"), [])],
        at("swallow", ".answer[0].item[1]"),
        [(at("swallow", ".answer[0].item[1]"), GONE)],
    ),
    "an answer without its condition": (
        [
            (at("swallow", ".answer[0].valueCoding"), coding("no")),
            (at("swallow", ".answer[0].item[1]"), GONE),
        ],
        at("swallow", ".answer[0].item[0]"),
        [(at("swallow", ".answer[0]"), {"valueCoding": coding("no")})],
    ),
    "a group without its condition": (
        [
            (at("swallow", ".answer[0].valueCoding"), coding("no")),
            (at("swallow", ".answer[0].item[0]"), GONE),
        ],
        at("swallow", ".answer[0].item[0]"),
        [
            (at("swallow", ".answer[0].valueCoding"), coding("no")),
            (at("swallow", ".answer[0].item[0]"), GONE),
            (at("swallow", ".answer[0].item[0].item"), []),
        ],
    ),
    "the condition of another repetition": (
        [("item[6].item[2]", answered("where"))],
        "item[6].item[2]",
        [("item[6].item[2]", answered("where")), ("item[6].item[1].answer[0].valueBoolean", True)],
    ),
    "all conditions, of which one does not hold": (
        [*value("age", "Integer", 17), (at("adult"), answered("child"))],
        at("both"),
        value("age", "Integer", 18),
    ),
    "any condition, of which none holds": (
        [("item[8].answer[0].valueBoolean", False), ("item[9]", GONE), ("item[12]", GONE)],
        "item[9]",
        [
            ("item[8].answer[0].valueBoolean", False),
            ("item[9]", GONE),
            ("item[9]", answered("without")),
            ("item[12]", GONE),
        ],
    ),
    "an answer unless another is given": (
        [(at("named"), answered("without")), (at("adult"), answered("named"))],
        at("named"),
        [],
    ),
    "an answer where another must be missing": (
        [(at("adult"), answered("noted")), (at("deep"), answered("adult"))],
        at("adult"),
        [(at("adult"), answered("noted")), (at("deep"), answered("adult")), (at("note"), {"linkId": "note"})],
    ),
    "an answer where another must be given": (
        [("status", "in-progress"), (at("name", ".answer"), GONE)],
        at("named"),
        [],
    ),
    "at least, which is not reached": (
        [*value("age", "Integer", 17), (at("both"), {"linkId": "both"})],
        at("adult"),
        [*value("age", "Integer", 18)],
    ),
    "at most, which is passed": (
        [(at("adult"), answered("child"))],
        at("adult"),
        [*value("age", "Integer", 17), (at("both"), {"linkId": "both"}), (at("adult"), answered("child"))],
    ),
    "above, which is not reached": (
        [(at("adult"), answered("heavy"))],
        at("adult"),
        [(at("adult"), answered("heavy")), *value("weight", "Decimal", 100.1)],
    ),
    "before, which is not so": (
        [(at("adult"), answered("early"))],
        at("adult"),
        [(at("adult"), answered("early")), *value("born", "Date", "1949")],
    ),
    "a quantity that is not reached": (
        [(at("adult"), answered("much"))],
        at("adult"),
        [(at("adult"), answered("much")), (at("volume", ".answer[0].valueQuantity.value"), 51)],
    ),
    "what lies deep below a group without its condition": (
        [("item[8].answer[0].valueBoolean", False), ("item[9]", GONE), ("item[9]", GONE)],
        "item[11]",
        [("item[8].answer[0].valueBoolean", False), ("item[9]", GONE), ("item[9]", GONE), ("item[11]", GONE)],
    ),
}


def found(response: Tree, form: Tree | None = None) -> tuple[Fault, ...]:
    return check_answers(response, form or changed(FORM), member=member)


@pytest.mark.published("FHIR R4 questionnaireresponse.html, questionnaire.html")
@pytest.mark.parametrize("name", FAULTS)
def test_a_single_fault_is_told_where_it_is(name: str) -> None:
    fault, where, control = FAULTS[name]
    (told,) = found(changed(RESPONSE, *fault))
    assert told.path == (f".{where}" if where else "")
    assert told.message.startswith("Item '")
    assert found(changed(RESPONSE, *control)) == ()


def test_the_probes_are_many(tell: Any) -> None:
    assert len(FAULTS) >= 40
    tell(f"{len(FAULTS)} single faults of answers to forms, each with a control")


def test_form_and_answers_are_valid_on_their_own() -> None:
    assert not [one for one in check(changed(FORM)) if one.severity == "error"]
    assert not [one for one in check(changed(RESPONSE)) if one.severity == "error"]


@pytest.mark.parametrize("status", ["completed", "amended", "in-progress", "stopped", "entered-in-error"])
def test_only_whole_answers_must_be_whole(status: str) -> None:
    response = changed(RESPONSE, ("status", status), ("item", []))
    told = [one.message.split("'")[1] for one in found(response)]
    assert told == (["person", "swallow", "foods", "consent"] if status in {"completed", "amended"} else [])


def test_a_required_group_has_something_in_it() -> None:
    form = changed(
        FORM, ("item", [{"linkId": "person", "type": "group", "required": True, "item": FORM["item"][3:4]}])
    )
    for item, told in (([{"linkId": "person"}], ".item[0]"), ([], "")):
        (fault,) = found(changed(RESPONSE, ("item", item)), form)
        assert fault.path == told
    assert (
        found(changed(RESPONSE, ("item", [{"linkId": "person", "item": [RESPONSE["item"][3]]}])), form) == ()
    )


def test_what_the_standard_leaves_open_is_not_judged() -> None:
    """What != means for several answers or none, and how much 5 tablespoons are."""
    form = changed(
        FORM,
        ("item[9].enableWhen", [when("foods", "!=", "Coding", coding("soft"))]),
        ("item[9].required", True),
        ("item[2].required", False),
    )
    for given_ in (RESPONSE["item"][2], {"linkId": "foods"}):
        for both in (answered("either"), {"linkId": "either"}):
            response = changed(RESPONSE, (at("foods"), given_), (at("either"), both))
            assert found(response, form) == (), "one is soft, another is not"
    other = {"value": 5, "unit": "tablespoon"}
    form = changed(FORM, ("item[0].item[10].extension", []))
    assert found(changed(RESPONSE, *value("volume", "Quantity", other)), form) == ()


@pytest.mark.published("hl7.fhir.r4.examples")
def test_official_examples() -> None:
    """Answers among the examples whose form is among them too; each fault is one of the example's own."""
    told = {}
    for form in example_files("Questionnaire"):
        for response in example_files("QuestionnaireResponse"):
            if response.stem.partition("-")[2] == form.stem.partition("-")[2]:
                faults = check_answers(parse(response.read_bytes()), parse(form.read_bytes()), member=member)
                told[form.stem.partition("-")[2]] = [fault.message for fault in faults]
    assert told == {
        # condition and value set name v2-0136 codes, the answers codes of a cancer register
        "3141": [
            "Item '1.1': the code is not in the value set http://hl7.org/fhir/ValueSet/yesnodontknow.",
            "Item '1.1.1': it must not be answered, since its condition (enableWhen) does not hold.",
        ],
        "bb": [
            "Item 'sex': the answer is none of those the form offers.",  # "f" where the form has "F"
            "Item 'vitaminKDose1': the form has no such item.",  # the form writes vitaminiKDose1
            "Item 'vitaminKDose2': the form has no such item.",
        ],
        "f201": [
            "Item '1': items below a question stand in its answer.",
            "Item '3.1': the form asks for valueBoolean, not for valueString.",
            "Item '3.2': the form asks for valueBoolean, not for valueString.",
        ],
        "gcs": [],
    }


_NAMES = [
    *("item", "answer", "linkId", "type", "valueString", "valueCoding", "enableWhen", "question", "operator"),
    *("answerCoding", "answerOption", "extension", "url", "required", "repeats", "maxLength"),
]
_LEAVES = st.none() | st.booleans() | st.integers() | st.sampled_from(["", "x", "age", "group", "choice"])
_JSON = st.recursive(
    _LEAVES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(_NAMES), inner, max_size=6),
    max_leaves=30,
)


@settings(max_examples=200, deadline=None)
@given(st.dictionaries(st.sampled_from(["item", "status", "url"]), _JSON), _JSON)
def test_whatever_is_sent_is_borne(tree: dict[str, Any], part: Any) -> None:
    check_answers(tree, changed(FORM))
    check_answers(changed(RESPONSE), tree)
    check_answers({"item": [part]}, {"item": [part]})


def _places(node: Any, path: str = "") -> Iterator[str]:
    inner = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for step, child in inner:
        where = f"{path}.{step}" if isinstance(step, str) else f"{path}[{step}]"
        yield where
        yield from _places(child, where)


@pytest.mark.parametrize("junk", [None, {}, 7, [None, [], {}]])
def test_parts_of_the_wrong_kind_are_passed_over(junk: Any) -> None:
    for path in _places(RESPONSE):
        found(changed(RESPONSE, (path, junk)))
    for path in _places(FORM):
        found(changed(RESPONSE), changed(FORM, (path, junk)))
