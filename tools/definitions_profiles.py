"""The profiles and extensions that FHIR R4 itself defines, made from the published definitions.

    python -m tools.definitions_profiles <folder of hl7.fhir.r4.core> <profiles.json.xz>

Each StructureDefinition that constrains a type, with its differential only, and of an element only what
decides about a resource; texts are left out.
"""

import json
import sys
from pathlib import Path
from typing import Any

from tools.definitions_elements import packed

__all__ = ["profile_tables"]

_DEFINITION = (
    "url",
    "version",
    "name",
    "title",
    "kind",
    "abstract",
    "context",
    "type",
    "baseDefinition",
    "derivation",
)
_ELEMENT = frozenset(
    {
        "id",
        "path",
        "sliceName",
        "min",
        "max",
        "type",
        "slicing",
        "contentReference",
        "maxLength",
        "mustSupport",
    }
)
_LAID_DOWN = ("fixed", "pattern", "minValue", "maxValue")
_WIDEST = "http://hl7.org/fhir/StructureDefinition/elementdefinition-maxValueSet"
Tree = dict[str, Any]


def profile_tables(folder: Path) -> Tree:
    """Answer the definitions by canonical."""
    files = (json.loads(file.read_bytes()) for file in sorted(folder.glob("StructureDefinition-*.json")))
    return {one["url"]: _definition(one) for one in files if one.get("derivation") == "constraint"}


def _definition(definition: Tree) -> Tree:
    kept = {name: definition[name] for name in _DEFINITION if name in definition}
    elements = [_element(one) for one in definition["differential"]["element"]]
    return {"resourceType": "StructureDefinition", **kept, "differential": {"element": elements}}


def _element(element: Tree) -> Tree:
    kept = {name: value for name, value in element.items() if name in _ELEMENT or name.startswith(_LAID_DOWN)}
    if binding := element.get("binding"):
        kept["binding"] = {name: binding[name] for name in ("strength", "valueSet") if name in binding}
        if widest := [one for one in binding.get("extension", ()) if one["url"] == _WIDEST]:
            kept["binding"]["extension"] = widest
    if rules := element.get("constraint"):
        names = ("key", "severity", "human", "expression")
        kept["constraint"] = [{name: rule[name] for name in names if name in rule} for rule in rules]
    return kept


if __name__ == "__main__":
    Path(sys.argv[2]).write_bytes(packed(profile_tables(Path(sys.argv[1]))))
