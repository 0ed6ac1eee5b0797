"""An allow-list of element paths as functions: compiled once, no path is read again per resource."""

from collections.abc import Callable, Collection, Mapping
from typing import Any

from service.deidentify import rules
from service.deidentify.rules import Release, Tree, Value

__all__ = ["ModifierLostError", "Special", "Writer", "compile_elements", "element", "extensions"]

Writer = Callable[[Tree, Any, Release], None]
"""Puts what may be kept of one stored element into the outgoing node."""
Special = Mapping[str, Callable[[str], Writer]]
"""Rules that write elsewhere than under the name they read: from an element's name to its writer."""

_MASKED = {
    "coding": [
        {
            "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason",
            "code": "masked",
            "display": "Masked",
        }
    ]
}


class ModifierLostError(Exception):
    """The node carries a modifier extension, which would be lost and with it what the node says."""


def compile_elements(
    elements: Mapping[str, Any], required: Collection[str], named: Mapping[str, Value], special: Special
) -> Value:
    """Compile ``{"component.code": rule}``: a function from a stored node to what may be kept of it.

    It answers None where one of the ``required`` paths is lost at its own level (a component without its
    code goes, the Observation stays). Raises ValueError for a rule that does not exist.
    """
    return _node(_trie(elements), required, named, special)


def element(name: str, rule: Value) -> Writer:
    """Write under ``name`` what the rule keeps; of a list, what it keeps of each item."""

    def write(kept: Tree, value: Any, release: Release) -> None:
        if isinstance(value, list):
            found: Any = [inner for item in value if _left(inner := rule(item, release))]
        else:
            found = rule(value, release)
        if _left(found):
            kept[name] = found

    return write


def extensions(listed: Mapping[str, Any], named: Mapping[str, Value], special: Special) -> Writer:
    """Keep extensions by URL, each by the rule of its value or of the extensions inside it."""
    nodes = {url: _extension(spec, named, special) for url, spec in listed.items()}

    def write(kept: Tree, value: Any, release: Release) -> None:
        for item in value if isinstance(value, list) else ():
            url = item.get("url") if isinstance(item, dict) else None
            node = nodes.get(url) if isinstance(url, str) else None
            found = node(item, release) if node is not None else None
            if found:
                kept.setdefault("extension", []).append({"url": url} | found)

    return write


def _extension(spec: Mapping[str, Any], named: Mapping[str, Value], special: Special) -> Value:
    if "extension" not in spec:
        return _node(spec, (), named, special)
    inner = extensions(spec["extension"], named, special)
    return _node({"extension": "inner"}, ("extension",), named, {"inner": lambda _: inner})


def _trie(elements: Mapping[str, Any]) -> Tree:
    """Turn ``{"component.code": rule}`` into ``{"component": {"code": rule}}``."""
    root: Tree = {}
    for path, rule in elements.items():
        *parents, leaf = path.split(".")
        node = root
        for name in parents:
            node = node.setdefault(name, {})
        node[leaf] = rule
    return root


def _node(
    children: Mapping[str, Any], required: Collection[str], named: Mapping[str, Value], special: Special
) -> Value:
    writers = {name: _writer(name, rule, required, named, special) for name, rule in children.items()}
    needed = [name for name in required if "." not in name]
    says_absent = children.get("dataAbsentReason") == "absent reason"

    def walk(source: Any, release: Release) -> Any:
        if not isinstance(source, Mapping):
            return None
        if "modifierExtension" in source:
            raise ModifierLostError
        kept: Tree = {}
        for name, value in source.items():
            write = writers.get(name)
            if write is not None:
                write(kept, value, release)
        if says_absent and _had_value(source) and not _had_value(kept):
            kept["dataAbsentReason"] = _MASKED
        return kept if all(name in kept for name in needed) else None

    return walk


def _writer(
    name: str, rule: Any, required: Collection[str], named: Mapping[str, Value], special: Special
) -> Writer:
    if isinstance(rule, dict):
        below = [path.removeprefix(f"{name}.") for path in required if path.startswith(f"{name}.")]
        return element(name, _node(rule, below, named, special))
    if isinstance(rule, list):
        return element(name, rules.one_of(rule))
    if rule in special:
        return special[rule](name)
    if rule in named:
        return element(name, named[rule])
    raise ValueError(f"There is no de-identification rule '{rule}' for '{name}'.")


def _left(value: Any) -> bool:
    """Whether anything is left; 0 and false are something."""
    return value is not None and value not in ({}, [])


def _had_value(node: Mapping[str, Any]) -> bool:
    return any(name.startswith("value") or name == "dataAbsentReason" for name in node)
