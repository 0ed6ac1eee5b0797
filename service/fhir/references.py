"""References inside a resource: finding them, and pointing them elsewhere (FHIR R4 references.html)."""

import re
from collections.abc import Callable
from operator import is_not
from typing import Any

from service.fhir.json import Tree

__all__ = ["local_target", "reference_texts", "rewrite"]

_ID = r"[A-Za-z0-9\-.]{1,64}"
_LOCAL = re.compile(rf"([A-Z][A-Za-z]+/{_ID})(?:/_history/{_ID})?(?:#.*)?")
_LINK = re.compile(r"""(\b(?:href|src)\s*=\s*)(["'])(.*?)\2""", re.DOTALL)
# Elements of type uri, url, oid or uuid whose value may be a resource's address. Canonical elements
# (instantiatesCanonical, questionnaire, profile, url of a definition) name definitions and stay as they are.
_URI_MEMBERS = frozenset(
    {"uri", "url", "oid", "uuid", "source", "implicitRules", "instantiatesUri"}
    | {"valueUri", "valueUrl", "valueOid", "valueUuid"}
)


def local_target(reference: str, base: str = "") -> str:
    """Answer ``Type/id`` of a reference to this service (relative or below ``base``), else an empty text."""
    found = _LOCAL.fullmatch(reference.removeprefix(f"{base}/") if base else reference)
    return found[1] if found else ""


def reference_texts(tree: Tree) -> list[str]:
    """Every ``Reference.reference`` in a tree, contained resources and extensions included, in order."""
    found: list[str] = []
    _collect(tree, found)
    return found


def _collect(node: Tree | list[Any], found: list[str]) -> None:
    if isinstance(node, list):
        for value in node:
            if isinstance(value, (dict, list)):
                _collect(value, found)
        return
    for name, value in node.items():
        if isinstance(value, (dict, list)):
            _collect(value, found)
        elif name == "reference" and isinstance(value, str):
            found.append(value)


def rewrite(tree: Tree, new: Callable[[str], str]) -> Tree:
    """Answer the tree with each address replaced by ``new(address)``; the very same tree if none changed.

    Addresses are references, uri-like elements and narrative links. Definition resources keep their own
    ``url`` (it is their name), and canonical elements are left alone. ``tree`` itself never changes: a
    transaction that has to be done again starts from what was asked.
    """
    rewritten: Tree = _rewrite(tree, new)
    return rewritten


def _rewrite(node: Any, new: Callable[[str], str]) -> Any:
    if isinstance(node, list):
        values = [_rewrite(value, new) if isinstance(value, (dict, list)) else value for value in node]
        return values if any(map(is_not, values, node)) else node
    changes: Tree = {}
    for name, value in node.items():
        became = _member(node, name, value, new)
        if became is not value:
            changes[name] = became
    return {**node, **changes} if changes else node


def _member(node: Tree, name: str, value: Any, new: Callable[[str], str]) -> Any:
    if isinstance(value, (dict, list)):
        return _rewrite(value, new)
    if not isinstance(value, str):
        return value
    if name == "div":
        became = _LINK.sub(lambda link: f"{link[1]}{link[2]}{new(link[3])}{link[2]}", value)
    elif name == "reference" or (name in _URI_MEMBERS and not _names_itself(node, name)):
        became = new(value)
    else:
        return value
    return value if became == value else became


def _names_itself(node: Tree, name: str) -> bool:
    """Whether ``url`` is an extension's or definition's name rather than an address."""
    return name == "url" and (
        "resourceType" in node or any(key.startswith("value") for key in node) or "extension" in node
    )
