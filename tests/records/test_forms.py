"""The published form of the safety screen asks what the record asks."""

import json

import pytest
from sample_visits import bundle_of, example_names, visit_tree

from service.fhir.validation import errors
from service.fhir.validation.questionnaire_response import check_answers
from service.records.protocols import screen_items
from service.records.safety import SAFETY_SCREEN
from service.shipped import shipped

FORM = json.loads(shipped("mappings", "forms", "breath-hold-safety-screen.json").read_text("utf-8"))


def test_the_form_is_a_valid_questionnaire_under_the_name_answers_use():
    assert errors(FORM) == ()
    assert FORM["url"] == SAFETY_SCREEN


def test_it_asks_every_item_of_the_screen_in_order():
    asked = [(item["linkId"], item["text"]) for item in FORM["item"]]
    assert asked == [(item.key, item.display) for item in screen_items().values()]


@pytest.mark.conformance("E10")
def test_every_screen_of_the_examples_fits_the_form(tell):
    screens = [
        entry["resource"]
        for name in example_names()
        for entry in bundle_of(visit_tree(name))["entry"]
        if entry["resource"]["resourceType"] == "QuestionnaireResponse"
    ]
    assert screens
    assert [fault for screen in screens for fault in check_answers(screen, FORM)] == []
    tell(f"{len(screens)} authored safety screens fit their form")
