"""Invariants of StructureDefinition."""

import re
from collections.abc import Callable

from service.fhir.json import Tree
from service.fhir.validation.invariants.conditions import Rule, at_least_one, only_for, plain
from service.fhir.validation.reading import distinct, parts, text, texts, there

__all__ = ["RULES"]

_PUBLISHED = "http://hl7.org/fhir/StructureDefinition"
_SYSTEM_TYPE = r"http://hl7\.org/fhirpath/System\.[A-Z][A-Za-z]+"
_CHANGED_TYPE = re.compile(rf"[a-zA-Z0-9]+|{_SYSTEM_TYPE}")
_WHOLE_TYPE = re.compile(rf"[a-zA-Z0-9.]+|{_SYSTEM_TYPE}")


def _elements(node: Tree, view: str) -> list[Tree]:
    return parts(node, view, "element")


def _both_views(node: Tree) -> list[Tree]:
    return [*_elements(node, "snapshot"), *_elements(node, "differential")]


def _roots(elements: list[Tree]) -> list[Tree]:
    """The elements whose path has one step only."""
    return [one for one in elements if isinstance(one.get("path"), str) and "." not in one["path"]]


def _not_logical(node: Tree) -> bool:
    """Whether it describes what FHIR exchanges; one without a kind may."""
    return text(node, "kind") != "logical"


def _unique_paths(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return text(node, "derivation") == "constraint" or distinct(texts(_elements(node, "snapshot"), "path"))


def _defined(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return all(
        there(one, "definition") and there(one, "min") and there(one, "max") for one in parts(node, "element")
    )


def _base_unless_abstract(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return node.get("abstract") is True or there(node, "baseDefinition")


def _context_of_extension(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return (
        node.get("type", "Extension") != "Extension"
        or node.get("derivation") == "specialization"
        or "context" in node
    )


def _snapshot_paths(node: Tree, resource: Tree, _root: Tree) -> bool:
    first, *others = parts(node, "element") or [{}]
    logical = resource.get("kind") == "logical"
    if not logical and (not text(first, "path") or text(first, "path") != resource.get("type")):
        return False
    beginning = f"{text(_first(resource, 'snapshot'), 'path')}."
    return all(text(one, "path").startswith(beginning) for one in others)


def _differential_paths(node: Tree, resource: Tree, _root: Tree) -> bool:
    first, *others = parts(node, "element") or [{}]
    logical = resource.get("kind") == "logical"
    if not logical and not (
        text(first, "path")
        and text(resource, "type")
        and text(first, "path").startswith(text(resource, "type"))
    ):
        return False
    beginning = f"{text(_first(resource, 'differential'), 'path').partition('.')[0]}."
    return all(text(one, "path").startswith(beginning) for one in others)


def _first(node: Tree, view: str) -> Tree:
    return next(iter(_elements(node, view)), {})


def _based(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return all("base" in one for one in parts(node, "element"))


def _bare_root(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return not any(there(one, "label", "code", "requirements") for one in _roots(_both_views(node)))


def _bound(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return "binding" not in node or there(node["binding"], "valueSet", "description")


def _root_is_type(node: Tree, _resource: Tree, _root: Tree) -> bool:
    if not _not_logical(node) or "snapshot" not in node:
        return True
    path = text(_first(node, "snapshot"), "path")
    return bool(path) and path == text(node, "type")


def _identified(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return all("id" in one for one in _both_views(node))


def _unique_ids(view: str) -> Callable[[Tree, Tree, Tree], bool]:
    def holds(node: Tree, _resource: Tree, _root: Tree) -> bool:
        elements = _elements(node, view)
        return all("id" in one for one in elements) and distinct(texts(elements, "id"))

    return holds


def _untyped_root(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return not _not_logical(node) or "type" not in _first(node, "snapshot")


def _untyped_changed_root(node: Tree, _resource: Tree, _root: Tree) -> bool:
    first = _first(node, "differential")
    return not _not_logical(node) or "." in text(first, "path") or "type" not in first


def _published(node: Tree) -> bool:
    """Whether it carries a name of the standard itself; one without a name may."""
    return text(node, "url").startswith(_PUBLISHED) or not text(node, "url")


def _known_types(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return not _published(node) or (
        all(map(_CHANGED_TYPE.fullmatch, texts(parts(node, "differential", "element", "type"), "code")))
        and all(map(_WHOLE_TYPE.fullmatch, texts(parts(node, "snapshot", "element", "type"), "code")))
    )


def _has_default(element: Tree) -> bool:
    return any(name.startswith(("defaultValue", "_defaultValue")) for name in element)


def _default_in_specialization(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return node.get("derivation") == "specialization" or not any(
        map(_has_default, _elements(node, "differential"))
    )


def _no_default(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return not _published(node) or not any(map(_has_default, _both_views(node)))


def _no_sliced_root(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return not any("slicing" in one for one in _roots(parts(node, "element")))


def _no_root_slice(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return not any(there(one, "sliceName") for one in _both_views(node) if "." not in text(one, "path"))


RULES: dict[str, Rule] = {
    "sdf-1": plain(_unique_paths),
    "sdf-2": at_least_one("name", "uri"),
    "sdf-3": plain(_defined),
    "sdf-4": plain(_base_unless_abstract),
    "sdf-5": plain(_context_of_extension),
    "sdf-6": at_least_one("snapshot", "differential"),
    "sdf-8": plain(_snapshot_paths),
    "sdf-8a": plain(_differential_paths),
    "sdf-8b": plain(_based),
    "sdf-9": plain(_bare_root),
    "sdf-10": plain(_bound),
    "sdf-11": plain(_root_is_type),
    "sdf-14": plain(_identified),
    "sdf-15": plain(_untyped_root),
    "sdf-15a": plain(_untyped_changed_root),
    "sdf-16": plain(_unique_ids("snapshot")),
    "sdf-17": plain(_unique_ids("differential")),
    "sdf-18": only_for("type", ("Extension",), "contextInvariant"),
    "sdf-19": plain(_known_types),
    "sdf-20": plain(_no_sliced_root),
    "sdf-21": plain(_default_in_specialization),
    "sdf-22": plain(_no_default),
    "sdf-23": plain(_no_root_slice),
}
