"""Invariants of Questionnaire and QuestionnaireResponse."""

from service.fhir.json import Tree
from service.fhir.validation.invariants.conditions import Rule, not_both, not_for, only_for, plain
from service.fhir.validation.reading import descendants, distinct, text, texts, there

__all__ = ["RULES"]

_WITH_OPTIONS = (
    "choice",
    "open-choice",
    "decimal",
    "integer",
    "date",
    "dateTime",
    "time",
    "string",
    "quantity",
)
_WITH_LENGTH = ("boolean", "decimal", "integer", "string", "text", "url", "open-choice")


def _nested_as_its_type(node: Tree, _resource: Tree, _root: Tree) -> bool:
    kind = text(node, "type")
    if kind == "group":
        return "item" in node
    return bool(kind) and (kind != "display" or "item" not in node)


def _unique_link_ids(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return distinct(texts(descendants(node), "linkId"))


def _boolean_if_about_existence(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return node.get("operator", "exists") != "exists" or "answerBoolean" in node or "_answerBoolean" in node


def _behavior_of_several(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return len(node.get("enableWhen", ())) <= 1 or there(node, "enableBehavior")


def _one_initial_unless_repeating(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return node.get("repeats") is True or len(node.get("initial", ())) <= 1


RULES: dict[str, Rule] = {
    "que-1": plain(_nested_as_its_type),
    "que-2": plain(_unique_link_ids),
    "que-3": not_for("type", ("display",), "code"),
    "que-4": not_both("answerOption", "answerValueSet"),
    "que-5": only_for("type", _WITH_OPTIONS, "answerValueSet", "answerOption"),
    "que-6": not_for("type", ("display",), "required", "repeats"),
    "que-7": plain(_boolean_if_about_existence),
    "que-8": not_for("type", ("group", "display"), "initial"),
    "que-9": not_for("type", ("display",), "readOnly"),
    "que-10": only_for("type", _WITH_LENGTH, "maxLength"),
    "que-11": not_both("answerOption", "initial"),
    "que-12": plain(_behavior_of_several),
    "que-13": plain(_one_initial_unless_repeating),
    "qrs-1": not_both("answer", "item"),
}
