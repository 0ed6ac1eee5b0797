"""The invariants of every FHIR R4 base type, made from the published definitions.

    python -m tools.definitions_invariants <folder of hl7.fhir.r4.core> <invariants.json.xz>

``rules`` has one entry per rule, ``"obs-6": [severity, human, FHIRPath expression]``. A key that says
different things in different places carries the place: ``"inv-1 Task"``. ``at`` lists the rules of each type
and part (``Observation``, ``Observation.component``), inherited ones included, and those an element has
besides its type's (``Organization.address``, and those whose Quantity is a SimpleQuantity; a choice stands
under the name that the rule can meet).
"""

import json
import lzma
import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

__all__ = ["invariant_tables", "packed"]

Tree = dict[str, Any]
_CHOICES = {"RiskAssessment.prediction.probability[x]": "RiskAssessment.prediction.probabilityRange"}
_SIMPLE = "http://hl7.org/fhir/StructureDefinition/SimpleQuantity"


def invariant_tables(folder: Path) -> Tree:
    """Answer ``rules`` and ``at`` from the snapshots of the package's base types."""
    definitions = list(_types(folder))
    simple = _own_rules(json.loads((folder / "StructureDefinition-SimpleQuantity.json").read_bytes()))
    placed = dict(sorted([*_placed(definitions), *_simple_quantities(definitions, simple)]))
    meanings: dict[str, set[str]] = defaultdict(set)
    for constraints in placed.values():
        for one in constraints:
            meanings[one["key"]].add(one["expression"])
    tables: Tree = {"rules": {}, "at": {}}
    for path, constraints in placed.items():
        names = [_name(one["key"], path, meanings) for one in constraints]
        tables["at"][path] = names
        for name, one in zip(names, constraints, strict=True):
            tables["rules"][name] = [one["severity"], one["human"], one["expression"]]
    tables["rules"] = dict(sorted(tables["rules"].items()))
    return tables


def packed(tables: Tree) -> bytes:
    """Answer the tables as the file that is shipped."""
    text = json.dumps(tables, ensure_ascii=False, indent=0, separators=(",", ":"))
    return lzma.compress(text.encode(), preset=9 | lzma.PRESET_EXTREME)


def _types(folder: Path) -> Iterator[Tree]:
    """Base types with parts: a primitive's only rule, ele-1, is one of its form."""
    for file in folder.glob("StructureDefinition-*.json"):
        definition = json.loads(file.read_bytes())
        base = definition.get("derivation") != "constraint"
        if base and definition["kind"] in {"resource", "complex-type"}:
            yield definition


def _placed(definitions: list[Tree]) -> Iterator[tuple[str, list[Tree]]]:
    """Paths and the constraints they carry."""
    of_types = {one["id"]: _keys(one["snapshot"]["element"][0]) for one in definitions}
    for definition in definitions:
        elements = definition["snapshot"]["element"]
        parents = {element["path"].rpartition(".")[0] for element in elements}
        for element in elements:
            path, constraints = element["path"], element.get("constraint", [])
            if path not in parents:
                inherited = {"ele-1"}.union(
                    *(of_types.get(one["code"], ()) for one in element.get("type", ()))
                )
                constraints = [one for one in constraints if one["key"] not in inherited]
            if constraints:
                yield _CHOICES.get(path, path), constraints


def _own_rules(profile: Tree) -> list[Tree]:
    return [one for element in profile["differential"]["element"] for one in element.get("constraint", ())]


def _simple_quantities(definitions: list[Tree], rules: list[Tree]) -> Iterator[tuple[str, list[Tree]]]:
    for definition in definitions:
        for element in definition["snapshot"]["element"]:
            for one in element.get("type", ()):
                if _SIMPLE in one.get("profile", ()):
                    yield element["path"].replace("[x]", "Quantity"), rules


def _keys(element: Tree) -> set[str]:
    return {one["key"] for one in element.get("constraint", ())}


def _name(key: str, path: str, meanings: dict[str, set[str]]) -> str:
    return key if len(meanings[key]) == 1 else f"{key} {path}"


if __name__ == "__main__":
    Path(sys.argv[2]).write_bytes(packed(invariant_tables(Path(sys.argv[1]))))
