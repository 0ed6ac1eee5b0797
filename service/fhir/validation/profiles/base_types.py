"""What travels with the program: R4's types as trees of elements, made from the element tables, and profiles.

R4's profiles and extensions are ``definitions/profiles.json.xz`` (``tools/definitions_profiles.py``), our own
``mappings/profiles/``.
"""

import json
import lzma
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from service.fhir.elements import STRUCTURES, Element, elements, is_primitive
from service.fhir.guides import read_guide
from service.fhir.json import Tree
from service.fhir.validation.profiles.nodes import Node
from service.shipped import shipped

__all__ = ["own_profiles", "own_profiles_of", "published_profile", "type_tree"]

_FILE = Path(__file__).parents[2] / "definitions" / "profiles.json.xz"
_VERSION = "4.0.1"


def published_profile(canonical: str) -> Tree | None:
    """Answer a profile or extension that R4 defines, without its texts; None if there is none."""
    url, _, version = canonical.partition("|")
    return _profiles().get(url) if version in {"", _VERSION} else None


@cache
def own_profiles() -> Mapping[str, Tree]:
    """Answer the profiles and extensions of this project, by canonical."""
    guide = read_guide(shipped("mappings", "profiles"))
    return {one["url"]: one for one in guide.definitions}


def own_profiles_of(type_: str) -> list[str]:
    """Answer the canonicals of this project's profiles of a type of resource."""
    return [url for url, one in own_profiles().items() if one["type"] == type_]


@cache
def _profiles() -> Mapping[str, Tree]:
    profiles: dict[str, Tree] = json.loads(lzma.decompress(_FILE.read_bytes()))
    return profiles


@cache
def type_tree(type_: str) -> Node | None:
    """Answer the elements of a type, None if R4 has no such type."""
    if is_primitive(type_):
        return Node(type_, {"min": 0, "max": "*"}, type_, children=_parts("Element", type_))
    children = _parts(type_, type_)
    return Node(type_, {"min": 0, "max": "*"}, type_, children=children) if children else None


def _parts(type_: str, path: str) -> dict[str, Node]:
    found: dict[str, list[Element]] = {}
    for one in elements(type_).values():
        found.setdefault(f"{one.choice}[x]" if one.choice else one.name, []).append(one)
    return {name: _node(name, together, f"{path}.{name}") for name, together in found.items()}


def _node(name: str, together: list[Element], path: str) -> Node:
    first = together[0]
    element: Tree = {"min": first.least, "max": "*" if first.repeats else "1"}
    if first.binding:
        element["binding"] = {"strength": first.binding.strength, "valueSet": first.binding.value_set}
    if "." not in first.type:
        element["type"] = [_type(one) for one in together]
        return Node(name, element, path, tuple(one.type for one in together))
    if first.type != path:
        return Node(name, {**element, "contentReference": f"#{first.type}"}, path)
    element["type"] = [{"code": "BackboneElement"}]
    return Node(name, element, path, ("BackboneElement",), _parts(first.type, path))


def _type(element: Element) -> Tree:
    type_: Tree = {"code": element.type}
    if element.profile:
        type_["profile"] = [STRUCTURES + element.profile]
    if element.targets:
        type_["targetProfile"] = [STRUCTURES + target for target in element.targets]
    return type_
