"""The element tables of every FHIR R4 type, made from the published definitions.

    python -m tools.definitions_elements <folder of hl7.fhir.r4.core> <elements.json.xz>

One entry per type and per part of a type with elements of its own (``Observation.component``):

    "Observation.component": ["BackboneElement", ["code 1 1 s CodeableConcept", "value[x] 0 1 s Range|…"]]

The name it extends, then its own elements in the order of the standard: name, least, most, flags (``s`` part
of the summary, ``m`` modifier, ``a`` an attribute in XML, ``-`` none of these), the types. A part's type is
its path. ``Reference(Patient,Group)`` and ``canonical(Questionnaire)`` name the types they may lead to,
``Quantity<SimpleQuantity>`` the profile of a type. Last, where only some codes are right, the binding:
``r:`` required, ``e:`` extensible, ``p:`` preferred, ``x:`` example, the value set, and after ``>`` the
widest one allowed. Value sets of the standard without ``http://hl7.org/fhir/ValueSet/``. A type bound as a
whole (``Age``) has its binding after its elements. Before them, ``"*"`` names the primitive types and ``"!"``
the resource types.
"""

import json
import lzma
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

__all__ = ["binding", "element_tables", "packed", "type_names"]

_SYSTEM_TYPE = "http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type"
_BASE = "http://hl7.org/fhir/StructureDefinition/"
_VALUE_SET = "http://hl7.org/fhir/ValueSet/"
_WIDEST = f"{_BASE}elementdefinition-maxValueSet"
_STRENGTHS = {"required": "r", "extensible": "e", "preferred": "p", "example": "x"}
Tables = dict[str, Any]


def element_tables(folder: Path) -> Tables:
    """Answer the tables of every type defined in the package's StructureDefinitions."""
    tables: Tables = {"*": [], "!": []}
    parts: Tables = {}
    for definition in sorted(_types(folder), key=lambda one: str(one["id"])):
        if definition["kind"] == "primitive-type":
            tables["*"].append(definition["id"])
            continue
        if definition["kind"] == "resource" and not definition["abstract"]:
            tables["!"].append(definition["id"])
        parts |= _tables_of(definition)
    return tables | {name: [base, _own(name, base, parts), *rest] for name, (base, _, *rest) in parts.items()}


def packed(tables: Tables) -> bytes:
    """Answer the tables as the file that is shipped."""
    text = json.dumps(tables, ensure_ascii=False, indent=0, separators=(",", ":"))
    return lzma.compress(text.encode(), preset=9 | lzma.PRESET_EXTREME)


def _types(folder: Path) -> Iterator[dict[str, Any]]:
    """Base types only: profiles constrain a type but add no element to it."""
    for file in folder.glob("StructureDefinition-*.json"):
        definition = json.loads(file.read_bytes())
        if definition["kind"] != "logical" and definition.get("derivation") != "constraint":
            yield definition


def _tables_of(definition: dict[str, Any]) -> Tables:
    """The tables of a type and its parts: name to the type it extends and all its elements."""
    elements = definition["snapshot"]["element"]
    parents = {element["path"].rpartition(".")[0] for element in elements} - {""}
    base = definition.get("baseDefinition", "").removeprefix(_BASE)
    whole = [bound] if (bound := binding(elements[0])) else []
    found: Tables = {definition["id"]: (base, [], *whole)}
    for element in elements[1:]:
        path = element["path"]
        if path in parents:
            found[path] = (element["type"][0]["code"], [])
        found[path.rpartition(".")[0]][1].append(_line(element, has_parts=path in parents))
    return found


def _own(name: str, base: str, parts: Tables) -> list[str]:
    inherited = set(parts[base][1]) if base else set()
    return [line for line in parts[name][1] if line not in inherited]


def _line(element: dict[str, Any], *, has_parts: bool) -> str:
    name = element["path"].rpartition(".")[2]
    flags = "s" * element.get("isSummary", False) + "m" * element.get("isModifier", False)
    flags += "a" * ("xmlAttr" in element.get("representation", []))
    if has_parts:
        types = [element["path"]]
    elif "contentReference" in element:
        types = [element["contentReference"].removeprefix("#")]
    else:
        types = type_names(element)
    line = f"{name} {element['min']} {element['max']} {flags or '-'} {'|'.join(types)}"
    return f"{line} {binding(element)}".rstrip()


def type_names(element: dict[str, Any]) -> list[str]:
    """The types of an element, each with what it may lead to and its profile."""
    return list(dict.fromkeys(_type_name(type_) for type_ in element["type"]))


def _type_name(type_: dict[str, Any]) -> str:
    """The FHIR type; where the definition names FHIRPath's own string type, an extension tells it."""
    told = [one["valueUrl"] for one in type_.get("extension", []) if one["url"] == _SYSTEM_TYPE]
    name = str(told[0]) if told else type_["code"].replace("http://hl7.org/fhirpath/System.String", "string")
    targets = [one.removeprefix(_BASE) for one in type_.get("targetProfile", [])]
    if targets and "Resource" not in targets:
        name += f"({','.join(targets)})"
    profiles = [one.removeprefix(_BASE) for one in type_.get("profile", [])]
    return f"{name}<{profiles[0]}>" if profiles else name


def binding(element: dict[str, Any]) -> str:
    """The binding of an element, empty where it leaves every code be."""
    bound = element.get("binding", {})
    told = {one["url"]: one.get("valueCanonical") for one in bound.get("extension", [])}
    widest = _short(told.get(_WIDEST) or "")
    if bound.get("strength") not in {"required", "extensible"} and not widest:
        return ""
    text = f"{_STRENGTHS[bound['strength']]}:{_short(bound.get('valueSet', ''))}"
    return f"{text}>{widest}" if widest else text


def _short(canonical: str) -> str:
    return canonical.partition("|")[0].removeprefix(_VALUE_SET)


if __name__ == "__main__":
    Path(sys.argv[2]).write_bytes(packed(element_tables(Path(sys.argv[1]))))
