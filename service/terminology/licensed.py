"""Terminology under the operator's licence: without the SNOMED CT codes that need an Affiliate licence."""

from typing import Literal

from service.fhir.code_systems import SNOMED, shipped_code_system
from service.fhir.json import Tree

__all__ = ["Licence", "licensed"]

Licence = Literal["all", "gps"]
"""``Settings.snomed``: ``gps`` leaves out what is not in the freely licensed Global Patient Set."""


def licensed(tree: Tree, licence: Licence) -> Tree:
    """Answer one of our resources with the codes that may be shown."""
    if licence == "all":
        return tree
    if tree["resourceType"] == "CodeSystem":
        url = str(tree.get("supplements", tree["url"]))
        return {**tree, "concept": [one for one in tree.get("concept", ()) if _free(url, one["code"])]}
    if tree["resourceType"] == "ConceptMap":
        groups = map(_group, tree.get("group", ()))
        return {**tree, "group": [one for one in groups if one["element"]]}
    return tree


def _group(group: Tree) -> Tree:
    elements = (
        {**one, "target": [to for to in one["target"] if _free(group["target"], to["code"])]}
        for one in group["element"]
    )
    return {**group, "element": [one for one in elements if one["target"]]}


def _free(system: str, code: str) -> bool:
    known = shipped_code_system(system) if system == SNOMED else None
    concept = known.concept(code) if known else None
    return concept is None or "snomed-full" not in concept.values("licence")
