"""The code systems and value sets that ship with FHIR R4, made from the published definitions.

    python -m tools.definitions_terminology <hl7.fhir.r4.core> <hl7.fhir.r4.expansions> <folder to write to>

``code_systems.txt.xz`` and ``value_sets.txt.xz`` hold one resource per line: its canonical URL, a tab and the
resource as JSON, cut down to what tells its members and whose they are. A display that is the code itself is
left out. Kept are all code systems with content; of properties what can't be selected or is deprecated (not
second parents, told by ``child``: the official expansions do not follow them). And the value sets that

- an element of a base type or of a published extension is bound to as required, extensible or at most,
- such a set is made of, or
- draw on nothing but these code systems.

Codes of licensed systems (SNOMED CT, LOINC) are in none but the second kind, and there without display. Of
ISO 4217 the codes are those of the official expansion.
"""

import json
import lzma
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

__all__ = ["written"]

Tree = dict[str, Any]
Named = dict[str, Tree]

CURRENCIES = "urn:iso:std:iso:4217"
RULED = frozenset({"http://unitsofmeasure.org", "urn:ietf:bcp:47", "urn:ietf:bcp:13"})
_MAX = "http://hl7.org/fhir/StructureDefinition/elementdefinition-maxValueSet"
_HEAD = ("resourceType", "url", "version", "name", "title", "status", "copyright")


def written(core: Path, expansions: Path) -> dict[str, bytes]:
    """Answer the files by name, made from the two packages' folders."""
    systems = {one["url"]: _system(one) for one in _all(core, "CodeSystem") if one["content"] in _CONTENT}
    systems[CURRENCIES] = _currencies(expansions)
    published = {one["url"]: one for one in _all(core, "ValueSet")}
    kept = sorted(_kept(published, systems, _bound(core)))
    sets = {url: _value_set(published[url], systems) for url in kept}
    return {"code_systems.txt.xz": _packed(systems), "value_sets.txt.xz": _packed(sets)}


_CONTENT = ("complete", "fragment", "example")


def _all(folder: Path, type_: str) -> Iterator[Tree]:
    for path in sorted(folder.glob(f"{type_}-*.json")):
        yield json.loads(path.read_bytes())


def _system(tree: Tree) -> Tree:
    head = {name: tree[name] for name in (*_HEAD, "caseSensitive", "content") if name in tree}
    return head | {"concept": [_concept(one) for one in tree.get("concept", ())]}


def _concept(tree: Tree) -> Tree:
    concept = {"code": tree["code"]}
    if tree.get("display", tree["code"]) != tree["code"]:
        concept["display"] = tree["display"]
    told = [one for one in tree.get("property", ()) if one["code"] in _PROPERTIES]
    if told:
        concept["property"] = told
    if "concept" in tree:
        concept["concept"] = [_concept(one) for one in tree["concept"]]
    return concept


_PROPERTIES = ("status", "deprecationDate", "notSelectable")


def _currencies(expansions: Path) -> Tree:
    """The system ISO 4217: a fragment, as currencies come and go."""
    tree = json.loads((expansions / "ValueSet-currencies.json").read_bytes())
    concepts = [_concept(one) for one in tree["expansion"]["contains"]]
    head = {"resourceType": "CodeSystem", "url": CURRENCIES, "name": "ISO4217", "status": "active"}
    return head | {"caseSensitive": True, "content": "fragment", "concept": concepts}


def _bound(core: Path) -> set[str]:
    """The value sets that base types and published extensions insist on."""
    found = set()
    for definition in _all(core, "StructureDefinition"):
        if definition["kind"] == "logical" or (
            definition.get("derivation") == "constraint" and definition["type"] != "Extension"
        ):
            continue
        for element in definition.get("snapshot", definition["differential"])["element"]:
            found |= set(_insisted(element.get("binding", {})))
    return found


def _insisted(binding: Tree) -> Iterator[str]:
    if binding.get("strength") in {"required", "extensible"} and "valueSet" in binding:
        yield _plain(binding["valueSet"])
    for extension in binding.get("extension", ()):
        if extension["url"] == _MAX:
            yield _plain(extension["valueCanonical"])


def _plain(canonical: str) -> str:
    return canonical.partition("|")[0]


def _kept(published: Named, systems: Named, bound: set[str]) -> set[str]:
    kept: set[str] = set()
    waiting = bound & published.keys()
    while waiting:
        kept |= waiting
        parts = {_plain(one) for url in waiting for part in _parts(published[url]) for one in _sets_of(part)}
        waiting = (parts & published.keys()) - kept
    open_ = {url for url, tree in published.items() if not _draws_on(tree, systems)}
    while closing := {url for url in open_ if not _all_there(published[url], open_)}:
        open_ -= closing
    return kept | open_


def _parts(tree: Tree) -> list[Tree]:
    compose = tree.get("compose", {})
    return [*compose.get("include", ()), *compose.get("exclude", ())]


def _sets_of(part: Tree) -> Iterable[str]:
    return part.get("valueSet", ())


def _draws_on(tree: Tree, systems: Named) -> bool:
    """Whether it needs a system that does not ship."""
    named = {part["system"] for part in _parts(tree) if "system" in part}
    return bool(named - systems.keys() - RULED)


def _all_there(tree: Tree, open_: set[str]) -> bool:
    return all(_plain(one) in open_ for part in _parts(tree) for one in _sets_of(part))


def _value_set(tree: Tree, systems: Named) -> Tree:
    compose = {
        kind: [_part(part, systems) for part in tree["compose"][kind]]
        for kind in ("include", "exclude")
        if kind in tree["compose"]
    }
    return {name: tree[name] for name in _HEAD if name in tree} | {"compose": compose}


def _part(part: Tree, systems: Named) -> Tree:
    kept = {name: part[name] for name in ("system", "version", "filter", "valueSet") if name in part}
    if "concept" in part:
        free = part["system"] in systems or part["system"] in RULED
        kept["concept"] = [_concept(one) if free else {"code": one["code"]} for one in part["concept"]]
    return kept


def _packed(resources: Named) -> bytes:
    lines = (
        f"{url}\t{json.dumps(tree, ensure_ascii=False, separators=(',', ':'))}\n"
        for url, tree in sorted(resources.items())
    )
    return lzma.compress("".join(lines).encode(), preset=9 | lzma.PRESET_EXTREME)


if __name__ == "__main__":
    for file_name, content in written(Path(sys.argv[1]), Path(sys.argv[2])).items():
        (Path(sys.argv[3]) / file_name).write_bytes(content)
