"""What searching needs of the published definitions: parameters, compartments, the systems of codes.

    python -m tools.definitions_search <folder of hl7.fhir.r4.core> <folder to write to>

``search_parameters.json``: type to its parameters by name; ``Resource`` has those of every type. Besides what
is published, ``same_as`` names the parameters of the same kind under whose values this one's are found, and
``component`` the parameters that are a composite's parts. ``compartments.json``: compartment to the stored
types in it and the parameters that put them there. ``element_systems.json``: the system of an element whose
type is code.
"""

import json
import re
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

__all__ = ["written"]

Tree = dict[str, Any]

STORED = (
    *("Patient", "RelatedPerson", "Practitioner", "PractitionerRole", "Organization", "Location"),
    *("Encounter", "EpisodeOfCare", "Condition", "AllergyIntolerance", "ServiceRequest", "Procedure"),
    *("DiagnosticReport", "Observation", "CarePlan", "CareTeam", "Goal", "NutritionOrder", "Device"),
    *("Questionnaire", "QuestionnaireResponse", "Flag", "AdverseEvent", "Consent", "Group"),
    *("MedicationAdministration", "Media", "DocumentReference", "Binary", "Provenance", "AuditEvent"),
    *("Measure", "MeasureReport", "List", "Basic"),
    *("StructureDefinition", "ValueSet", "CodeSystem", "ConceptMap", "NamingSystem", "ImplementationGuide"),
    *("CompartmentDefinition", "SearchParameter", "OperationDefinition", "CapabilityStatement"),
    "Subscription",
)
COMMON = ("_id", "_lastUpdated", "_tag", "_security", "_profile", "_source")
OWN_ROOT = "https://swallow-interop.example.org/fhir"
OWN: dict[str, dict[str, Tree]] = {
    "AdverseEvent": {  # the element is there in R4, the parameter is not; a record is matched again by it
        "identifier": {
            "type": "token",
            "expression": "AdverseEvent.identifier",
            "url": f"{OWN_ROOT}/SearchParameter/AdverseEvent-identifier",
        }
    }
}
LEFT_OUT = {
    "phonetic": "R4 leaves the algorithm open, so that a caller can't know what is found",
    "near": "a special parameter; places are few and found by address",
}
_OF_TYPE = re.compile(r"(.*)\.where\(resolve\(\) is (\w+)\)")


class Package:
    """The resources of an unpacked package by type and canonical URL."""

    def __init__(self, folder: Path) -> None:
        """Read every file that matters."""
        self._folder = folder
        self._value_sets = {tree["url"]: tree for tree in self.all("ValueSet")}

    def all(self, type_: str) -> list[Tree]:
        """Every resource of a type, in the order of their files."""
        return [json.loads(path.read_text("utf-8")) for path in sorted(self._folder.glob(f"{type_}-*.json"))]

    def code_system(self, value_set: str) -> str:
        """The one code system a value set draws from, empty for several or none."""
        compose = self._value_sets.get(value_set.partition("|")[0], {}).get("compose", {})
        systems = {include.get("system", "") for include in compose.get("include", [])}
        return systems.pop() if len(systems) == 1 else ""


def search_parameters(package: Package) -> Tree:
    """Type to its parameters by name; those of every type stand under ``Resource``."""
    published = [tree for tree in package.all("SearchParameter") if _usable(tree)]
    tables: Tree = {"Resource": _table(published, "Resource")}
    for type_ in STORED:
        own = _table(published, type_) | OWN.get(type_, {})
        tables[type_] = dict(sorted(own.items()))
        _connect(tables[type_])
    return tables


def _usable(tree: Tree) -> bool:
    expression = tree.get("expression", "")
    on_extension = "xtension(" in expression  # defined for one extension, not by the base specification
    return bool(expression) and not on_extension and tree["code"] not in LEFT_OUT


def _table(published: Iterable[Tree], type_: str) -> Tree:
    found = {}
    for tree in published:
        wanted = tree["code"] in COMMON if type_ == "Resource" else type_ in tree["base"]
        parts = [part for part in _alternatives(tree["expression"]) if _root(part) == type_]
        if wanted and parts and type_ in tree["base"]:
            row = {"type": tree["type"], "expression": " | ".join(parts), "url": tree["url"]}
            if tree["type"] == "reference":
                row["target"] = sorted(set(tree.get("target", [])))
            if tree["type"] == "composite":
                row["component"] = [[one["definition"], one["expression"]] for one in tree["component"]]
            found[tree["code"]] = row
    return dict(sorted(found.items()))


def _alternatives(expression: str) -> list[str]:
    return [part.strip() for part in expression.split(" | ")]


def _root(expression: str) -> str:
    found = re.match(r"\(?(\w+)", expression)
    return found[1] if found else ""


def _connect(table: Tree) -> None:
    """Say which parameters find nothing that others of the same kind do not find, and composites' parts."""
    plain = {name: set(map(_unfiltered, _alternatives(row["expression"]))) for name, row in table.items()}
    for name, row in table.items():
        if row["type"] == "composite":
            row["component"] = [_part(table, row, *one) for one in row["component"]]
        elif shared := _covering(table, plain, name):
            row["same_as"] = shared
        only = {found[2] for part in _alternatives(row["expression"]) if (found := _OF_TYPE.fullmatch(part))}
        if only:
            row["target"] = sorted(only)


def _unfiltered(part: str) -> str:
    found = _OF_TYPE.fullmatch(part)
    return found[1] if found else part


def _covering(table: Tree, plain: dict[str, set[str]], name: str) -> list[str]:
    """The parameters whose values together are this one's; of equal ones the alphabet's first is kept."""
    wanted = plain[name]
    filtered = wanted != set(_alternatives(table[name]["expression"]))
    found: list[str] = []
    covered: set[str] = set()
    for other, parts in sorted(plain.items(), key=lambda one: (-len(one[1]), one[0])):
        whole = parts == set(_alternatives(table[other]["expression"]))
        smaller = parts < wanted or (parts == wanted and (filtered or other < name))
        alike = other != name and table[other]["type"] == table[name]["type"]
        if alike and whole and smaller and not parts <= covered:
            found.append(other)
            covered |= parts
    return sorted(found) if covered == wanted else []


def _part(table: Tree, row: Tree, definition: str, expression: str) -> str:
    """The parameter a composite's part is filed under: by its expression, else by the definition it names."""
    path = f"{row['expression']}.{expression}"
    by_expression = [name for name, one in table.items() if one["expression"] == path]
    by_definition = [name for name, one in table.items() if one["url"] == definition]
    return (by_expression or by_definition)[0]


def compartments(package: Package) -> Tree:
    """Compartment to the stored types in it, with the parameters that put a resource there."""
    return {
        tree["code"]: {
            one["code"]: [name for name in one["param"] if name != "{def}"]  # itself
            for one in tree["resource"]
            if one.get("param") and one["code"] in STORED
        }
        for tree in package.all("CompartmentDefinition")
        if tree["code"] in {"Patient", "Encounter", "Practitioner", "RelatedPerson", "Device"}
    }


def element_systems(package: Package) -> Tree:
    """Element path (``Observation.status``, ``Address.use``) to the one code system its codes come from."""
    found = {}
    for structure in package.all("StructureDefinition"):
        if structure.get("derivation") == "specialization":
            for element in structure["snapshot"]["element"]:
                system = _system(package, element)
                if system:
                    found[element["path"]] = system
    return dict(sorted(found.items()))


def _system(package: Package, element: Tree) -> str:
    is_code = [one["code"] for one in element.get("type", [])] == ["code"]
    value_set = element.get("binding", {}).get("valueSet", "")
    return package.code_system(value_set) if is_code and value_set else ""


def written(folder: Path) -> dict[str, bytes]:
    """Answer the files by name, made from the package's ``folder``."""
    package = Package(folder)
    tables = {
        "search_parameters.json": search_parameters(package),
        "compartments.json": compartments(package),
        "element_systems.json": element_systems(package),
    }
    return {name: _text(table).encode() for name, table in tables.items()}


def _text(table: Tree) -> str:
    """JSON with a line for each type, so that a change shows."""
    rows = (f"{json.dumps(key)}: {json.dumps(value, separators=(',', ':'))}" for key, value in table.items())
    return "{\n" + ",\n".join(rows) + "\n}\n"


if __name__ == "__main__":
    for file_name, content in written(Path(sys.argv[1])).items():
        (Path(sys.argv[2]) / file_name).write_bytes(content)
