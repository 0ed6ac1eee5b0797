"""Extensions of guides, wherever they stand: each has a definition of its own (extensibility.html).

Those that R4 itself defines are looked at by the base.
"""

from collections.abc import Iterator
from typing import Any

from service.fhir.json import Tree
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.base_types import published_profile
from service.fhir.validation.profiles.definitions import Definitions
from service.fhir.validation.profiles.items import Item
from service.fhir.validation.profiles.rule import Check
from service.fhir.validation.profiles.scope import Scope
from service.fhir.validation.profiles.snapshot import DefinitionFault

__all__ = ["check_extensions"]

_NAMES = frozenset({"extension", "modifierExtension"})


def check_extensions(resource: Tree, definitions: Definitions) -> list[Fault]:
    """Answer what is wrong with the extensions in a resource whose definitions are known."""
    scope = Scope(resource)
    return [fault for item, check in _found(resource, "", definitions) for fault in check(item, scope)]


def _found(node: Any, path: str, definitions: Definitions) -> Iterator[tuple[Item, Check]]:
    if isinstance(node, list):
        for place, one in enumerate(node):
            yield from _found(one, f"{path}[{place}]", definitions)
    elif isinstance(node, dict):
        for name, value in node.items():
            if isinstance(value, (dict, list)):
                if name in _NAMES and isinstance(value, list):
                    yield from _known(value, f"{path}.{name}", definitions)
                yield from _found(value, f"{path}.{name.removeprefix('_')}", definitions)


def _known(extensions: list[Any], path: str, definitions: Definitions) -> Iterator[tuple[Item, Check]]:
    for place, one in enumerate(extensions):
        url = one.get("url") if isinstance(one, dict) else None
        if isinstance(url, str) and (check := _check(url, definitions)) is not None:
            yield Item(one, None, "Extension", f"{path}[{place}]"), check


def _check(url: str, definitions: Definitions) -> Check | None:
    definition = definitions.structure(url)
    if definition is None or definition["type"] != "Extension" or published_profile(url):
        return None
    try:
        return definitions.check(url)
    except DefinitionFault:
        return None
