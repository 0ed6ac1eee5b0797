"""A form that uses everything forms can ask for, and answers that fit it."""

import copy
import json
import re
from typing import Any

from service.fhir.json import Tree, parse

FORM_URL = "https://clinic.example.org/Questionnaire/sample"
SYSTEM = "https://clinic.example.org/codes"
GONE = object()
_STEP = re.compile(r"(\w+)|\[(\d+)\]")


def coding(code: str) -> dict[str, Any]:
    return {"system": SYSTEM, "code": code}


def options(*codes: str) -> list[dict[str, Any]]:
    return [{"valueCoding": coding(code)} for code in codes]


def extension(name: str, kind: str, value: Any) -> dict[str, Any]:
    return {"url": f"http://hl7.org/fhir/StructureDefinition/{name}", f"value{kind}": value}


def when(question: str, operator: str, kind: str, value: Any) -> dict[str, Any]:
    return {"question": question, "operator": operator, f"answer{kind}": value}


def asked(link: str, type_: str, *conditions: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"linkId": link, "type": type_, **({"enableWhen": list(conditions)} if conditions else {}), **more}


def answered(link: str, *values: Any, **more: Any) -> dict[str, Any]:
    """An item with an answer for each value: ``{"valueString": "x"}``, which is also the default."""
    return {"linkId": link, "answer": list(values) or [{"valueString": "x"}], **more}


YES = when("swallow", "=", "Coding", coding("yes"))
FORM = {
    "resourceType": "Questionnaire",
    "url": FORM_URL,
    "status": "active",
    "item": [
        asked(
            "person",
            "group",
            required=True,
            item=[
                asked(
                    "name",
                    "string",
                    required=True,
                    maxLength=10,
                    extension=[extension("minLength", "Integer", 2)],
                ),
                asked("age", "integer"),
                asked(
                    "weight",
                    "decimal",
                    extension=[
                        extension("minValue", "Decimal", 20.5),
                        extension("maxValue", "Decimal", 300),
                        extension("maxDecimalPlaces", "Integer", 1),
                    ],
                ),
                asked(
                    "born",
                    "date",
                    extension=[
                        extension("minValue", "Date", "1900-01-01"),
                        extension("maxValue", "Date", "2026-12-31"),
                    ],
                ),
                asked("seen", "dateTime"),
                asked("at", "time", extension=[extension("minValue", "Time", "08:00:00")]),
                asked("note", "text"),
                asked("site", "url"),
                asked("photo", "attachment"),
                asked(
                    "doctor",
                    "reference",
                    extension=[extension("questionnaire-referenceResource", "Code", "Practitioner")],
                ),
                asked(
                    "volume",
                    "quantity",
                    extension=[
                        extension(
                            "questionnaire-unitOption",
                            "Coding",
                            {"system": "http://unitsofmeasure.org", "code": "mL", "display": "ml"},
                        )
                    ],
                ),
                asked(
                    "steps",
                    "integer",
                    extension=[extension("minValue", "Integer", 0), extension("maxValue", "Integer", 120)],
                ),
                asked("shown", "display"),
            ],
        ),
        asked(
            "swallow",
            "choice",
            required=True,
            answerOption=options("yes", "no", "unknown"),
            item=[
                asked("why", "string", YES, required=True),
                asked("how", "group", YES, item=[asked("often", "integer", required=True)]),
            ],
        ),
        asked(
            "foods",
            "choice",
            required=True,
            repeats=True,
            answerOption=[
                *options("soft", "hard", "liquid"),
                {
                    "extension": [extension("questionnaire-optionExclusive", "Boolean", True)],
                    "valueCoding": coding("none"),
                },
            ],
            extension=[
                extension("questionnaire-minOccurs", "Integer", 1),
                extension("questionnaire-maxOccurs", "Integer", 2),
            ],
        ),
        asked("level", "choice", answerOption=[{"valueInteger": one} for one in (1, 2, 3)]),
        asked("liquid", "open-choice", answerOption=options("thin", "thick")),
        asked("gender", "choice", answerValueSet="http://hl7.org/fhir/ValueSet/administrative-gender"),
        asked(
            "visits",
            "group",
            repeats=True,
            extension=[extension("questionnaire-maxOccurs", "Integer", 3)],
            item=[
                asked("day", "date", required=True),
                asked("pain", "boolean"),
                asked("where", "string", when("pain", "=", "Boolean", True)),
            ],
        ),
        asked("consent", "boolean", required=True),
        asked(
            "both",
            "string",
            when("age", ">", "Integer", 17),
            when("consent", "=", "Boolean", True),
            enableBehavior="all",
        ),
        asked(
            "either",
            "string",
            when("age", "<", "Integer", 18),
            when("consent", "=", "Boolean", True),
            enableBehavior="any",
        ),
        asked("without", "string", when("consent", "!=", "Boolean", True)),
        asked("named", "string", when("name", "exists", "Boolean", True)),
        asked("noted", "string", when("note", "exists", "Boolean", False)),
        asked("adult", "string", when("age", ">=", "Integer", 18)),
        asked("child", "string", when("age", "<=", "Integer", 17)),
        asked("heavy", "string", when("weight", ">", "Decimal", 100)),
        asked("early", "string", when("born", "<", "Date", "1950-01-01")),
        asked(
            "much",
            "string",
            when(
                "volume", ">", "Quantity", {"value": 50, "system": "http://unitsofmeasure.org", "code": "mL"}
            ),
            required=True,
        ),
        asked(
            "deep",
            "group",
            when("consent", "=", "Boolean", True),
            item=[asked("deeper", "group", item=[asked("deepest", "boolean")])],
        ),
    ],
}
RESPONSE = {
    "resourceType": "QuestionnaireResponse",
    "questionnaire": FORM_URL,
    "status": "completed",
    "item": [
        {
            "linkId": "person",
            "item": [
                answered("name", {"valueString": "Sampleby"}, text="another text than the form has"),
                answered("age", {"valueInteger": 44}),
                answered("weight", {"valueDecimal": 60.5}),
                answered("born", {"valueDate": "1982-05"}),
                answered("seen", {"valueDateTime": "2026-02-04T10:30:00Z"}),
                answered("at", {"valueTime": "10:30:00"}),
                answered("note", {"valueString": "none"}),
                answered("site", {"valueUri": "https://clinic.example.org"}),
                answered("photo", {"valueAttachment": {"title": "fold"}}),
                answered("doctor", {"valueReference": {"reference": "Practitioner/1"}}),
                answered(
                    "volume",
                    {"valueQuantity": {"value": 5, "system": "http://unitsofmeasure.org", "code": "mL"}},
                ),
                answered("steps", {"valueInteger": 44}),
                {"linkId": "shown"},
            ],
        },
        answered(
            "swallow",
            {
                "valueCoding": coding("yes"),
                "item": [
                    answered("why", {"valueString": "trial"}),
                    {"linkId": "how", "item": [answered("often", {"valueInteger": 3})]},
                ],
            },
        ),
        answered("foods", {"valueCoding": coding("soft")}, {"valueCoding": coding("hard")}),
        answered("level", {"valueInteger": 2}),
        answered("liquid", {"valueCoding": coding("thin")}),
        answered(
            "gender",
            {"valueCoding": {"system": "http://hl7.org/fhir/administrative-gender", "code": "female"}},
        ),
        {
            "linkId": "visits",
            "item": [answered("day", {"valueDate": "2026-01-01"}), answered("pain", {"valueBoolean": False})],
        },
        {
            "linkId": "visits",
            "item": [
                answered("day", {"valueDate": "2026-01-02"}),
                answered("pain", {"valueBoolean": True}),
                answered("where", {"valueString": "throat"}),
            ],
        },
        answered("consent", {"valueBoolean": True}),
        answered("both", {"valueString": "x"}),
        answered("either", {"valueString": "x"}),
        answered("named", {"valueString": "x"}),
        answered("adult", {"valueString": "x"}),
        {
            "linkId": "deep",
            "item": [{"linkId": "deeper", "item": [answered("deepest", {"valueBoolean": True})]}],
        },
    ],
}
PLACES = {item["linkId"]: f"item[{place}]" for place, item in enumerate(RESPONSE["item"])} | {
    item["linkId"]: f"item[0].item[{place}]" for place, item in enumerate(RESPONSE["item"][0]["item"])
}
"""Where the items of the answers stand; of the visits the last."""


def changed(tree: dict[str, Any], *changes: tuple[str, Any]) -> Tree:
    """A copy with members set, added to the end of a list (``item[+]``) or taken out (``GONE``)."""
    copied = copy.deepcopy(tree)
    for path, value in changes:
        _set(copied, path, value)
    return parse(json.dumps(copied))


def _set(tree: Any, path: str, value: Any) -> None:
    steps: list[Any] = [name or int(place) for name, place in _STEP.findall(path)]
    node = tree
    for step in steps[:-1]:
        node = node[step]
    last = steps[-1]
    if value is GONE:
        del node[last]
    elif isinstance(node, list) and last >= len(node):
        node.append(value)
    else:
        node[last] = value
