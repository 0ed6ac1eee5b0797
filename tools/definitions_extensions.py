"""The extensions that FHIR R4 itself defines, made from the published definitions.

    python -m tools.definitions_extensions <folder of hl7.fhir.r4.core> <extensions.json.xz>

One entry per extension, by its url without ``http://hl7.org/fhir/StructureDefinition/``:

    "patient-animal": {"most": "1", "in": ["Patient"], "parts": {"species": {"least": 1, "most": "1", …}}}

``in`` is where it may stand (``Element`` is everywhere), ``value`` the types of its value and their binding
as in the element tables, ``needed`` that the value can't be left out, ``parts`` the extensions inside it,
``modifier`` that it is a modifierExtension, ``when`` a FHIRPath condition on the element that carries it.
"""

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tools.definitions_elements import binding, packed, type_names

__all__ = ["extension_tables"]

_BASE = "http://hl7.org/fhir/StructureDefinition/"
Tables = dict[str, Any]


def extension_tables(folder: Path) -> Tables:
    """Answer the table of every extension defined in the package, by name."""
    return {name: _extension(definition) for name, definition in sorted(_extensions(folder))}


def _extensions(folder: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    for file in folder.glob("StructureDefinition-*.json"):
        definition = json.loads(file.read_bytes())
        if definition["type"] == "Extension" and definition.get("derivation") == "constraint":
            yield definition["url"].removeprefix(_BASE), definition


def _extension(definition: dict[str, Any]) -> Tables:
    elements = {one["id"]: one for one in definition["snapshot"]["element"]}
    root = elements["Extension"]
    table = {"most": root["max"], "in": [one["expression"] for one in definition["context"]]}
    if root.get("isModifier"):
        table["modifier"] = True
    if "contextInvariant" in definition:
        table["when"] = definition["contextInvariant"]
    return table | _content("Extension", elements)


def _content(at: str, elements: dict[str, dict[str, Any]]) -> Tables:
    """What stands in the extension whose element has the id ``at``: a value or parts."""
    table: Tables = {}
    value = elements.get(f"{at}.value[x]")
    if value and value["max"] != "0":
        table["value"] = f"{'|'.join(type_names(value))} {binding(value)}".rstrip()
        table |= {"needed": True} if value["min"] else {}
    parts = {
        elements[f"{id_}.url"]["fixedUri"]: {
            "least": one["min"],
            "most": one["max"],
            **_content(id_, elements),
        }
        for id_, one in elements.items()
        if id_.startswith(f"{at}.extension:") and "." not in id_.removeprefix(f"{at}.extension:")
    }
    return table | ({"parts": parts} if parts else {})


if __name__ == "__main__":
    Path(sys.argv[2]).write_bytes(packed(extension_tables(Path(sys.argv[1]))))
