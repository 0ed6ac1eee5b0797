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
_MEMBERS = frozenset(
    {"reference", "div", "uri", "url", "oid", "uuid", "source", "implicitRules", "instantiatesUri"}
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
    changes: Tree = {}
    for name, value in tree.items():
        kind = type(value)
        if kind is str:
            became = _address(tree, name, value, new) if name in _MEMBERS else value
        elif kind is dict:
            became = rewrite(value, new)
        elif kind is list:
            became = _rewritten(value, new)
        else:
            continue
        if became is not value:
            changes[name] = became
    return {**tree, **changes} if changes else tree


def _rewritten(values: list[Any], new: Callable[[str], str]) -> list[Any]:
    became = [rewrite(value, new) if type(value) is dict else value for value in values]
    return became if any(map(is_not, became, values)) else values


def _address(node: Tree, name: str, value: str, new: Callable[[str], str]) -> str:
    if name == "url" and _names_itself(node):
        return value
    if name != "div":
        became = new(value)
    elif "href" in value or "src" in value:
        became = _LINK.sub(lambda link: f"{link[1]}{link[2]}{new(link[3])}{link[2]}", value)
    else:
        return value
    return value if became == value else became


def _names_itself(node: Tree) -> bool:
    """Whether ``url`` is an extension's or definition's name rather than an address."""
    return "resourceType" in node or "extension" in node or any(member.startswith("value") for member in node)
