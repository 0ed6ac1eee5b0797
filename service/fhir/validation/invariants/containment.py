"""Invariants of contained resources, of references to them, and of every element (dom-*, ref-1, ele-1)."""

import re
from collections.abc import Iterator
from typing import Any

from service.fhir.elements import elements
from service.fhir.json import Tree
from service.fhir.validation.invariants.conditions import Rule, plain
from service.fhir.validation.reading import descendants, parts, text, texts, there

__all__ = ["RULES"]

_LINKED = r"""\b(?:src|href)\s*=\s*["']#%s["']"""
_ADDRESSES = frozenset({"canonical", "uri", "url"})


def _not_nested(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return "contained" not in node or not any("contained" in one for one in parts(node, "contained"))


def _used(node: Tree, _resource: Tree, _root: Tree) -> bool:
    """Whether each contained resource is referred to, or refers to the one around it."""
    if "contained" not in node:
        return True
    known = {one for one in texts(descendants(node), "reference") if one.startswith("#")}
    return all(
        "id" not in one or f"#{one['id']}" in known or refers_out(one) or _linked(node, one["id"])
        for one in parts(node, "contained")
    )


def _linked(node: Tree, id_: str) -> bool:
    """Whether an address anywhere, or a picture or link of a narrative, is that of a contained resource."""
    if f"#{id_}" in _links(node):
        return True
    link = re.compile(_LINKED % re.escape(id_))
    return any(link.search(div) for div in texts(descendants(node), "div"))


def refers_out(contained: Tree) -> bool:
    """Whether a contained resource refers to the resource around it."""
    return "#" in texts(descendants(contained), "reference") or "#" in _links(contained, canonical_only=True)


def _links(resource: Tree, *, canonical_only: bool = False) -> Iterator[str]:
    """The values of type canonical, uri and url anywhere in a resource."""
    types = {"canonical"} if canonical_only else _ADDRESSES
    return _typed(resource, text(resource, "resourceType"), types)


def _typed(node: Tree, type_: str, types: frozenset[str] | set[str]) -> Iterator[str]:
    table = elements(type_)
    for name, value in node.items():
        element = table.get(name.removeprefix("_"))
        for one in value if isinstance(value, list) else (value,):
            if element is None:
                break
            if isinstance(one, dict):
                own = text(one, "resourceType") if element.type == "Resource" else element.type
                yield from _typed(one, "Element" if name.startswith("_") else own, types)
            elif isinstance(one, str) and element.type in types:
                yield one


def _without_versions(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return "contained" not in node or not any(
        there(meta, "versionId", "lastUpdated") for meta in parts(node, "contained", "meta")
    )


def _without_labels(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return "contained" not in node or not any("security" in meta for meta in parts(node, "contained", "meta"))


def _narrated(node: Tree, _resource: Tree, _root: Tree) -> bool:
    narrative = node.get("text")
    return isinstance(narrative, dict) and ("div" in narrative or "_div" in narrative)


def _target_contained(node: Tree, resource: Tree, root: Tree) -> bool:
    """Whether ``#id`` names a contained resource; ``#`` alone is the one around it."""
    reference = node.get("reference")
    if not isinstance(reference, str) or not reference.startswith("#"):
        return True
    if reference == "#":
        return resource is not root
    return any(one.get("id") == reference[1:] for one in parts(root, "contained"))


def _has_content(node: Any, _resource: Tree, _root: Tree) -> bool:
    size = len(node)
    return size > 2 or ("id" in node) + ("_id" in node) < size


RULES: dict[str, Rule] = {
    "dom-2": plain(_not_nested),
    "dom-3": plain(_used),
    "dom-4": plain(_without_versions),
    "dom-5": plain(_without_labels),
    "dom-6": plain(_narrated),
    "ele-1": plain(_has_content),
    "ref-1": plain(_target_contained),
}
