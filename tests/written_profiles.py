"""Small profiles written for a test."""

from typing import Any

from service.fhir.guides import Guide
from service.fhir.validation.entries import Entries
from service.fhir.validation.profiles import Definitions, check_profiles

ROOT = "http://example.org/fhir/StructureDefinition/"
BASE = "http://hl7.org/fhir/StructureDefinition/"
Tree = dict[str, Any]


def at(id_: str, **said: Any) -> Tree:
    """An ElementDefinition; path and slice's name are those of the id."""
    parts = [part.partition(":") for part in id_.split(".")]
    element: Tree = {"id": id_, "path": ".".join(name for name, _, _ in parts), **said}
    if parts[-1][2]:
        element["sliceName"] = parts[-1][2]
    return element


def sliced(id_: str, *by: str, rules: str = "open", ordered: bool = False, **said: Any) -> Tree:
    """An element with slices; ``by`` is told as ``value:code``."""
    told = [dict(zip(("type", "path"), one.split(":", 1), strict=True)) for one in by]
    return at(id_, slicing={"discriminator": told, "rules": rules, "ordered": ordered}, **said)


def profile(name: str, type_: str, *elements: Tree, base: str = "") -> Tree:
    """A StructureDefinition with a differential only."""
    return {
        "resourceType": "StructureDefinition",
        "url": ROOT + name,
        "name": name,
        "version": "1.0.0",
        "status": "active",
        "kind": "resource",
        "abstract": False,
        "type": type_,
        "baseDefinition": base or BASE + type_,
        "derivation": "constraint",
        "differential": {"element": [at(type_), *elements]},
    }


def extension(name: str, *elements: Tree) -> Tree:
    """The definition of an extension."""
    return profile(name, "Extension", at("Extension.url", fixedUri=ROOT + name), *elements)


def value_set(name: str, *include: Tree, exclude: tuple[Tree, ...] = ()) -> Tree:
    """A value set of these parts."""
    compose = {"include": list(include)} | ({"exclude": list(exclude)} if exclude else {})
    return {"resourceType": "ValueSet", "url": f"http://example.org/fhir/ValueSet/{name}", "compose": compose}


def listed(system: str, *codes: str) -> Tree:
    """Part of a value set: these codes of a system."""
    return {"system": system, "concept": [{"code": code} for code in codes]}


def known(*definitions: Tree) -> Definitions:
    """These definitions as those of a guide."""
    return Definitions(Guide("written", "1", definitions))


def faults(resource: Tree, *definitions: Tree, bundle: Tree | None = None) -> list[tuple[str, str]]:
    """Path and rule (without the profile's root) of what the first of the profiles finds."""
    found = check_profiles(
        resource, [definitions[0]["url"]], known(*definitions), entries=Entries(bundle) if bundle else None
    )
    return [(fault.path, fault.rule.removeprefix(ROOT)) for fault in found]
