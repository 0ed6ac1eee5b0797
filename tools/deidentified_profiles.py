"""Profiles of what research exports let out, from the allow-list that their policies share.

    python -m tools.deidentified_profiles mappings/profiles

What the allow-list does not name may not be there, what it can't do without has to be. A test makes them
again.
"""

import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from service.fhir.canonical import profile
from service.fhir.validation.profiles import Definitions
from service.fhir.validation.profiles.nodes import Node
from service.jobs.research_policies import policy_document

__all__ = ["deidentified_profiles"]

_LABELS = 4
"""Every policy says at least: low confidentiality, pseudonymized, redacted, for research."""
_META = ("versionId", "lastUpdated", "source", "security", "tag")
_GONE: Mapping[str, Sequence[str]] = {
    "CodeableConcept": ("text",),
    "Reference": ("identifier", "display"),
    "Address": ("text", "line", "district", "period"),
}
"""What no rule leaves of a data type, in its order."""
_SAYS_BY_EXTENSION = {"birth date", "role", "extension"}

Element = dict[str, Any]


def deidentified_profiles() -> dict[str, str]:
    """Answer the id of each profile to its text."""
    policy, definitions = policy_document("safe-harbor"), Definitions()
    made = {}
    for type_, listed in policy["resources"].items():
        root = definitions.tree(f"http://hl7.org/fhir/StructureDefinition/{type_}")
        if root is None:
            raise ValueError(f"R4 has no type {type_}.")
        one = _definition(type_, [*_elements(root, _Kept(listed["elements"], listed.get("required", ())))])
        made[one["id"]] = json.dumps(one, indent=1, ensure_ascii=False) + "\n"
    return made


class _Kept:
    """What the allow-list says of the children of one element."""

    def __init__(self, elements: Mapping[str, Any], required: Sequence[str]) -> None:
        self.rules: dict[str, Any] = {}
        for path, rule in elements.items():
            name, _, rest = path.partition(".")
            if rest:
                self.rules.setdefault(name, {})[rest] = rule
            elif rule not in ("role", "deceased"):
                self.rules[name] = rule
        if "deceased" in elements.values():
            self.rules["deceasedBoolean"] = "boolean"
        self.extended = any(
            isinstance(rule, str) and rule in _SAYS_BY_EXTENSION for rule in elements.values()
        )
        self._required = required

    def needs(self, name: str) -> bool:
        return name in self._required

    def below(self, name: str) -> "_Kept":
        needed = [path.removeprefix(f"{name}.") for path in self._required if path.startswith(f"{name}.")]
        rules = self.rules[name]
        return _Kept(rules if isinstance(rules, dict) else {}, needed)


def _elements(root: Node, kept: _Kept) -> Iterator[Element]:
    yield _element(root.name, short="De-identified for research")
    yield from _children(root, root.name, kept)


def _children(node: Node, path: str, kept: _Kept) -> Iterator[Element]:
    for name, child in (node.children or {}).items():
        yield from _child(child, f"{path}.{name}", name, kept)


def _child(child: Node, path: str, name: str, kept: _Kept) -> Iterator[Element]:
    if name == "meta":
        yield _element(path, min=1)
        for part in _META:
            yield _element(f"{path}.{part}", **({"min": _LABELS} if part == "security" else {"max": "0"}))
    elif name == "id" and path.count(".") == 1:
        return
    elif name.endswith("[x]"):
        yield _choice(child, path, name.removesuffix("[x]"), kept)
    elif name == "extension" and kept.extended:
        return
    elif name not in kept.rules:
        yield _element(path, max="0")
    else:
        yield from _listed(child, path, name, kept)


def _choice(child: Node, path: str, stem: str, kept: _Kept) -> Element:
    types = [code for code in child.types if f"{stem}{code[0].upper()}{code[1:]}" in kept.rules]
    needed = any(kept.needs(f"{stem}{code[0].upper()}{code[1:]}") for code in types)
    if not types:
        return _element(path, max="0")
    return _element(path, **({"min": 1} if needed else {}), type=[{"code": code} for code in types])


def _listed(child: Node, path: str, name: str, kept: _Kept) -> Iterator[Element]:
    """An element that is kept; the standard already says so of one it demands."""
    needed = kept.needs(name) and child.element.get("min") == 0
    if child.children:
        inner = [*_children(child, path, kept.below(name))]
    else:
        inner = [_element(f"{path}.{part}", max="0") for part in _GONE.get(child.types[0], ())]
    if needed or inner:
        yield _element(path, **({"min": 1} if needed else {}))
    yield from inner


def _element(path: str, **said: Any) -> Element:
    return {"id": path, "path": path, **said}


def _definition(type_: str, elements: list[Element]) -> dict[str, Any]:
    id_ = f"deidentified-{type_.lower()}"
    described = (
        f"{type_} as research exports let it out: nothing but what their allow-list names, labelled. "
        "How dates and places are written is each policy's."
    )
    return {
        "resourceType": "StructureDefinition",
        "id": id_,
        "url": profile(id_),
        "version": "1.0.0",
        "name": f"Deidentified{type_}",
        "title": f"{type_}, de-identified",
        "status": "draft",
        "date": "2026-11-29",
        "publisher": "swallow-interop",
        "description": described,
        "copyright": "Own wording, Apache-2.0.",
        "fhirVersion": "4.0.1",
        "kind": "resource",
        "abstract": False,
        "type": type_,
        "baseDefinition": f"http://hl7.org/fhir/StructureDefinition/{type_}",
        "derivation": "constraint",
        "differential": {"element": elements},
    }


if __name__ == "__main__":
    for id_, text in deidentified_profiles().items():
        Path(sys.argv[1], f"StructureDefinition-{id_}.json").write_text(text, "utf-8")
