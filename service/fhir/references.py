"""References inside a resource: finding them, and pointing them elsewhere (FHIR R4 references.html)."""

import re
from collections.abc import Callable
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


def rewrite(tree: Tree, new: Callable[[str], str]) -> None:
    """Replace addresses in place by ``new(address)``: references, uri-like elements and narrative links.

    Definition resources keep their own ``url`` (it is their name), and canonical elements are left alone.
    """
    _rewrite(tree, new)


def _rewrite(node: Any, new: Callable[[str], str]) -> None:
    if isinstance(node, list):
        for value in node:
            _rewrite(value, new)
    elif isinstance(node, dict):
        for name, value in node.items():
            if not isinstance(value, str):
                _rewrite(value, new)
            elif name == "div":
                node[name] = _LINK.sub(lambda link: f"{link[1]}{link[2]}{new(link[3])}{link[2]}", value)
            elif name == "reference" or (name in _URI_MEMBERS and not _names_itself(node, name)):
                node[name] = new(value)


def _names_itself(node: Tree, name: str) -> bool:
    """Whether ``url`` is an extension's or definition's name rather than an address."""
    return name == "url" and (
        "resourceType" in node or any(key.startswith("value") for key in node) or "extension" in node
    )
