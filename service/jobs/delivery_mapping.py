"""What a resource is made before it leaves for a destination; pure."""

from collections.abc import Mapping as AbstractMapping
from typing import Any

from service.fhir.json import Tree
from service.jobs.destination import Mapping
from service.records.stored import OWN

__all__ = ["mapped"]


def mapped(tree: Tree, mapping: Mapping) -> Tree:
    """Answer the resource as the destination is to have it; ``tree`` itself stays."""
    became: Tree = _mapped(tree, mapping)
    claims = became.get("meta", {}).get("profile", [])
    kept = [one for one in claims if one.startswith(mapping.profiles)]
    if kept == claims:
        return became
    meta = {**became["meta"], "profile": kept}
    if not kept:
        del meta["profile"]
    return {**became, "meta": meta}


def _mapped(node: Any, mapping: Mapping) -> Any:
    if isinstance(node, list):
        return [_mapped(one, mapping) for one in node]
    if not isinstance(node, dict):
        return node
    became = {name: _mapped(value, mapping) for name, value in node.items()}
    if isinstance(codings := became.get("coding"), list):
        became["coding"] = _ordered(codings, mapping)
    for name in ("identifier", "masterIdentifier", "groupIdentifier"):
        if name in became:
            became[name] = _renamed(became[name], mapping.systems)
    return became


def _ordered(codings: list[Any], mapping: Mapping) -> list[Any]:
    """Published codes first, in their order; a local code that stands alone stays."""
    published = [one for one in codings if one.get("system") not in OWN]
    local = [one for one in codings if one.get("system") in OWN]
    return published if published and mapping.local_codes == "drop" else [*published, *local]


def _renamed(found: Any, systems: AbstractMapping[str, str]) -> Any:
    if isinstance(found, list):
        return [_renamed(one, systems) for one in found]
    if isinstance(found, dict) and found.get("system") in systems:
        return {**found, "system": systems[found["system"]]}
    return found
