"""CodeSystems and ValueSets as FHIR resources: JSON files, or one package (``.tgz``)."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec

from service.errors import InvalidInput
from service.fhir.code_systems import CodeSystem
from service.fhir.guides import read_guide
from service.fhir.json import Tree, dump, reread
from service.terminology.layouts.rows import Batch, Progress, System, batched

__all__ = ["FhirResources"]

_MOST_BYTES = 200_000_000
_TYPES = frozenset({"CodeSystem", "ValueSet"})
_WHOLE = frozenset({"complete", "fragment"})
_NOT_R4 = (KeyError, TypeError, AttributeError)


class FhirResources:
    """Read as a whole, and so bounded. Code systems that do not list their codes are left out."""

    name: str

    def __init__(self, paths: Sequence[Path], _version: str) -> None:
        """See Layout."""
        packages = [path for path in paths if path.suffix == ".tgz"]
        if packages and len(paths) > 1:
            raise InvalidInput("Load a package on its own.")
        self._paths = paths
        self._package = bool(packages)
        self._systems: list[System] = []
        self._trees = self._package_trees() if packages else [_resource(path) for path in paths]
        if not packages:
            self.name = str(self._trees[0]["url"])

    @staticmethod
    def fits(path: Path, line: bytes) -> bool:
        """See Layout."""
        return line.lstrip().startswith(b"{") or (path.suffix == ".tgz" and line.startswith(b"\x1f\x8b"))

    def batches(self, progress: Progress) -> Iterator[Batch]:
        """See Layout."""
        for tree in self._trees:
            try:
                yield from self._resource(tree)
            except _NOT_R4:
                raise InvalidInput(f"{str(tree['url'])[:200]} is not written as R4 wants it.") from None
        progress(sum(path.stat().st_size for path in self._paths))

    def systems(self) -> Sequence[System]:
        """See Layout."""
        return self._systems

    def _package_trees(self) -> list[Tree]:
        guide = read_guide(self._paths[0])
        self.name = guide.name
        return [tree for tree in guide.definitions if tree["resourceType"] in _TYPES]

    def _resource(self, tree: Tree) -> Iterator[Batch]:
        if tree["resourceType"] == "ValueSet":
            yield Batch("value_set", [(tree["url"], tree.get("version", ""), dump(tree).decode())])
        elif tree.get("content") in _WHOLE:
            number = len(self._systems) + 1
            bare = {name: value for name, value in tree.items() if name not in {"concept", "text"}}
            self._systems.append(System(number, bare))
            system = CodeSystem(tree)
            yield from batched("concept", _concepts(number, system))
            yield from batched("parent", _parents(number, system))


def _concepts(number: int, system: CodeSystem) -> Iterator[tuple[Any, ...]]:
    for code, concept in system.concepts.items():
        left_out = {"code", "display", "concept"}
        more = {name: value for name, value in concept.tree.items() if name not in left_out}
        yield number, code, str(concept.tree.get("display", "")), dump(more).decode()


def _parents(number: int, system: CodeSystem) -> Iterator[tuple[Any, ...]]:
    for code, concept in system.concepts.items():
        yield from ((number, code, parent) for parent in concept.parents)


def _resource(path: Path) -> Tree:
    if path.stat().st_size > _MOST_BYTES:
        raise InvalidInput(f"{path.name} is larger than {_MOST_BYTES} bytes.")
    try:
        tree: Any = reread(path.read_bytes().removeprefix(b"\xef\xbb\xbf"))
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError):
        raise InvalidInput(f"{path.name} is not JSON.") from None
    if not isinstance(tree, dict) or tree.get("resourceType") not in _TYPES or not tree.get("url"):
        raise InvalidInput(f"{path.name} is no CodeSystem or ValueSet with a url.")
    return tree
