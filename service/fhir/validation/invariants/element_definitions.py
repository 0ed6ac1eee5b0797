"""Invariants of ElementDefinition."""

import re
from typing import Any

from service.fhir.json import Tree
from service.fhir.validation.invariants.conditions import (
    Holds,
    Rule,
    at_least_one,
    names,
    needs,
    not_both,
    only_for,
    plain,
)
from service.fhir.validation.reading import distinct, number, parts, text, texts, there

__all__ = ["RULES"]

_WHOLE = re.compile(r"[+-]?[0-9]+")
_SLICE_NAME = re.compile(r"[a-zA-Z0-9/\-_\[\]@]+")
_STEP = r"""[^\s.,:;'"/|?!@#$%&*()\[\]{}]{1,64}"""
_PATH = re.compile(rf"{_STEP}(\.{_STEP}(\[x\])?(:[^\s.]+)?)*")
_SIMPLE_PATH = re.compile(r"[A-Za-z][A-Za-z0-9]*(\.[a-z][A-Za-z0-9]*(\[x])?)*")
_VALUE_SETS = ("http:", "https", "urn:", "#")
_REFERRING = ("Reference", "canonical")


def _min_up_to_max(node: Tree, _resource: Tree, _root: Tree) -> bool:
    least, most = number(node, "min"), node.get("max")
    if least is None or most is None or most == "*":
        return True
    return _WHOLE.fullmatch(most) is not None and least <= int(most)


def _max(value: Any, _resource: Tree, _root: Tree) -> bool:
    return value == "*" or (_WHOLE.fullmatch(value) is not None and int(value) >= 0)


def _at_most_one_type(name: str) -> Rule:
    def rule(type_: str) -> Holds:
        value = names(type_, name)
        return lambda node, _resource, _root: value.isdisjoint(node) or len(parts(node, "type")) <= 1

    return rule


def _binding_with_types(node: Tree, _resource: Tree, _root: Tree) -> bool:
    """Read literally, as everybody does: any type with a code will do."""
    coded = [one for one in parts(node, "type") if there(one, "code")]
    return "binding" not in node or not coded or any("code" in one for one in coded)


def _value_set(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return not there(node, "valueSet") or text(node, "valueSet").startswith(_VALUE_SETS)


def _unique_types(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return distinct(texts(parts(node, "type"), "code"))


def _unique_constraints(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return distinct(texts(parts(node, "constraint"), "key"))


def _slice_name(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return not there(node, "sliceName") or _SLICE_NAME.fullmatch(text(node, "sliceName")) is not None


def _modifier_reason(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return not there(node, "isModifier") or node.get("isModifier") is False or there(node, "isModifierReason")


def _path(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return _PATH.fullmatch(text(node, "path")) is not None


def _simple_path(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return _SIMPLE_PATH.fullmatch(text(node, "path")) is not None


RULES: dict[str, Rule] = {
    "eld-1": at_least_one("discriminator", "description"),
    "eld-2": plain(_min_up_to_max),
    "eld-3": plain(_max),
    "eld-4": only_for("code", _REFERRING, "aggregation"),
    "eld-5": not_both(
        "contentReference",
        *(
            "type",
            "defaultValue",
            "fixed",
            "pattern",
            "example",
            "minValue",
            "maxValue",
            "maxLength",
            "binding",
        ),
    ),
    "eld-6": _at_most_one_type("fixed"),
    "eld-7": _at_most_one_type("pattern"),
    "eld-8": not_both("pattern", "fixed"),
    "eld-11": plain(_binding_with_types),
    "eld-12": plain(_value_set),
    "eld-13": plain(_unique_types),
    "eld-14": plain(_unique_constraints),
    "eld-15": not_both("defaultValue", "meaningWhenMissing"),
    "eld-16": plain(_slice_name),
    "eld-17": only_for("code", _REFERRING, "targetProfile"),
    "eld-18": plain(_modifier_reason),
    "eld-19": plain(_path),
    "eld-20": plain(_simple_path),
    "eld-21": at_least_one("expression"),
    "eld-22": needs("sliceIsConstraining", "sliceName"),
}
