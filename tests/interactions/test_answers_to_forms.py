"""Answers are compared with their form as they are written, where the form is known."""

import asyncio
import json

import pytest

from service.errors import RuleViolation, Severity
from service.interactions.forms import form_issues
from service.shipped import shipped

URL = "https://clinic.example.org/Questionnaire/one"
FORM = {
    "resourceType": "Questionnaire",
    "id": "one",
    "url": URL,
    "version": "1",
    "status": "active",
    "item": [{"linkId": "a", "type": "integer", "required": True}],
}
IS_A = {"property": "concept", "op": "is-a"}
SHIPPED = json.loads(shipped("mappings", "forms", "breath-hold-safety-screen.json").read_text("utf-8"))

pytestmark = pytest.mark.conformance("E10")


def answers(value="valueInteger", url=URL, **more):
    item = [{"linkId": "a", "answer": [{value: 5 if value == "valueInteger" else "5"}]}]
    return {
        "resourceType": "QuestionnaireResponse",
        "id": "r",
        "questionnaire": url,
        "status": "completed",
        "item": item,
        **more,
    }


def noticed(applied):
    """What was noticed, but that there is no narrative."""
    return tuple(issue for issue in applied.issues if issue.rule != "dom-6")


def bundle(*trees):
    entries = [
        {"request": {"method": "PUT", "url": f"{tree['resourceType']}/{tree['id']}"}, "resource": tree}
        for tree in trees
    ]
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def test_answers_that_do_not_fit_are_refused(client):
    client.update(FORM)
    assert noticed(client.update(answers())) == ()
    with pytest.raises(RuleViolation) as refused:
        client.update(answers("valueString"))
    (issue,) = refused.value.issues
    assert issue.place.expression == "QuestionnaireResponse.item[0].answer[0].value"
    assert "'a'" in issue.message
    assert issue.rule == URL
    assert client.read("QuestionnaireResponse", "r").version == 1


def test_an_unknown_form_is_a_warning(client):
    (issue,) = noticed(client.update(answers("valueString")))
    assert (issue.severity, issue.place.expression) == (
        Severity.WARNING,
        "QuestionnaireResponse.questionnaire",
    )
    assert noticed(client.update(answers(url="Questionnaire/one")))
    client.update(FORM)
    for known in ("Questionnaire/one", f"{URL}|1", URL):
        with pytest.raises(RuleViolation):
            client.update(answers("valueString", known))
    for unknown in (f"{URL}|2", f"{URL}/other"):
        assert noticed(client.update(answers("valueString", unknown)))


def test_form_and_answers_may_come_together_in_any_order(client):
    for trees in ((FORM, answers("valueString")), (answers("valueString"), FORM)):
        with pytest.raises(RuleViolation) as refused:
            client.process(bundle(*trees))
        (issue,) = refused.value.issues
        place = trees.index(answers("valueString"))
        assert issue.place.expression.startswith(f"Bundle.entry[{place}].resource.item[0]")
    assert client.process(bundle(FORM, answers()))["entry"]


def test_a_contained_form_counts(client):
    form = {name: value for name, value in FORM.items() if name != "url"} | {"id": "here"}
    with pytest.raises(RuleViolation):
        client.update(answers("valueString", "#here", contained=[form]))
    assert noticed(client.update(answers("valueInteger", "#here", contained=[form]))) == ()


def test_the_form_that_ships_is_known(client):
    tree = answers("valueString", SHIPPED["url"])
    with pytest.raises(RuleViolation):
        client.update(tree)


def test_stored_and_contained_value_sets_count(client):
    codes = {
        "resourceType": "ValueSet",
        "id": "codes",
        "url": "https://clinic.example.org/ValueSet/codes",
        "status": "active",
        "compose": {"include": [{"system": "urn:x", "concept": [{"code": "a"}]}]},
    }
    client.update(codes)
    for set_, contained in ((codes["url"], []), ("#codes", [codes])):
        item = {"linkId": "a", "type": "choice", "answerValueSet": set_}
        client.update(FORM | {"item": [item]} | ({"contained": contained} if contained else {}))
        for code, fits in (("a", True), ("b", False)):
            given = answers(
                item=[{"linkId": "a", "answer": [{"valueCoding": {"system": "urn:x", "code": code}}]}]
            )
            assert (asyncio.run(form_issues(client.store, given, context=client.context)) == ()) == fits


def choice(value_set):
    return FORM | {"item": [{"linkId": "a", "type": "choice", "answerValueSet": value_set}]}


def chosen(code, system="urn:x"):
    coding = {"system": system, "code": code}
    return answers(item=[{"linkId": "a", "answer": [{"valueCoding": coding}]}])


def fits(client, given):
    return asyncio.run(form_issues(client.store, given, context=client.context)) == ()


def test_the_newest_active_form_counts_as_it_does_for_value_sets(client):
    text = [{"linkId": "a", "type": "string", "required": True}]
    client.update(FORM | {"id": "first"})
    client.update(FORM | {"id": "second", "status": "draft", "version": "2", "item": text})
    assert fits(client, answers())
    assert not fits(client, answers(url=f"{URL}|2"))  # the draft counts where it is asked for
    client.update(FORM | {"id": "first", "status": "retired"})
    client.update(FORM | {"id": "second", "version": "2", "item": text})
    assert not fits(client, answers())
    assert fits(client, answers("valueString"))


def test_a_stored_form_goes_before_the_one_that_ships(client):
    given = answers("valueInteger", SHIPPED["url"])
    assert not fits(client, given)
    client.update(FORM | {"url": SHIPPED["url"]})
    assert fits(client, given)
    assert not fits(client, given | {"questionnaire": f"{SHIPPED['url']}|{SHIPPED['version']}"})


def test_what_value_sets_are_made_of_is_looked_for_in_the_store(client):
    inner = {
        "resourceType": "ValueSet",
        "id": "inner",
        "url": "https://clinic.example.org/ValueSet/inner",
        "status": "active",
        "compose": {"include": [{"system": "urn:x", "filter": [{**IS_A, "value": "a"}]}]},
    }
    outer = inner | {"id": "outer", "url": f"{inner['url']}/outer"}
    outer |= {"compose": {"include": [{"valueSet": [inner["url"]]}]}}
    client.update(choice(outer["url"]))
    client.update(outer)
    client.update(inner)
    assert fits(client, chosen("b"))  # its system is not known, so nothing is refused
    client.update(
        {
            "resourceType": "CodeSystem",
            "id": "x",
            "url": "urn:x",
            "status": "active",
            "content": "complete",
            "concept": [{"code": "a", "concept": [{"code": "b"}]}, {"code": "c"}],
        }
    )
    assert fits(client, chosen("b"))
    assert not fits(client, chosen("c"))


def test_a_stored_value_set_goes_before_the_one_that_ships(client):
    gender = "http://hl7.org/fhir/administrative-gender"
    ships = "http://hl7.org/fhir/ValueSet/administrative-gender"
    client.update(choice(ships))
    assert fits(client, chosen("other", gender))
    only = {"system": gender, "concept": [{"code": "female"}]}
    client.update(
        {
            "resourceType": "ValueSet",
            "id": "gender",
            "url": ships,
            "status": "active",
            "compose": {"include": [only]},
        }
    )
    assert not fits(client, chosen("other", gender))
    assert fits(client, chosen("female", gender))
