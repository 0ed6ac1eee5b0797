"""SNOMED CT snapshot files: concepts, descriptions, relationships, and a language reference set.

Source of the layout: SNOMED CT Release File Specification, RF2 (tab separated, UTF-8, one header line).
Codes, properties and versions are told as hl7.org/fhir/R4/snomedct.html has them.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from service.errors import InvalidInput
from service.fhir.code_systems import SNOMED
from service.fhir.json import dump
from service.terminology.layouts.reading import first_line, lines, unreadable
from service.terminology.layouts.rows import Batch, Progress, System, batched

__all__ = ["SnomedRf2"]

_FIRST = b"id\teffectiveTime\tactive\tmoduleId\t"
_COLUMNS = {
    b"definitionStatusId": "concept",
    b"conceptId\tlanguageCode\ttypeId\tterm\tcaseSignificanceId": "description",
    b"sourceId\tdestinationId\trelationshipGroup\ttypeId\tcharacteristicTypeId\tmodifierId": "relationship",
    b"refsetId\treferencedComponentId\tacceptabilityId": "language",
}
_IS_A, _INFERRED = "116680003", "900000000000011006"
_DEFINED, _PREFERRED = "900000000000073002", "900000000000548007"
_INTERNATIONAL, _MODEL = "900000000000207008", "900000000000012004"
_US_ENGLISH, _GB_ENGLISH = "900000000000509007", "900000000000508004"
_RANKS = {_US_ENGLISH: 0, _GB_ENGLISH: 1}
_USES = {
    "900000000000003001": "Fully specified name",
    "900000000000013009": "Synonym",
    "900000000000550004": "Definition",
}


class SnomedRf2:
    """One edition. Without a language reference set the fully specified name is the display."""

    name = SNOMED

    def __init__(self, paths: Sequence[Path], version: str) -> None:
        """See Layout."""
        self._files: dict[str, list[Path]] = {}
        for path in paths:
            self._files.setdefault(_columns(first_line(path)), []).append(path)
        if "concept" not in self._files or "description" not in self._files:
            raise InvalidInput("The concept and the description file of the snapshot are both needed.")
        self._version = version
        self._modules: set[str] = set()
        self._newest = ""

    @staticmethod
    def fits(_path: Path, line: bytes) -> bool:
        """See Layout."""
        return bool(_columns(line))

    def batches(self, progress: Progress) -> Iterator[Batch]:
        """See Layout."""
        for path in self._files["concept"]:
            yield from batched("concept", self._concepts(path, progress))
        for path in self._files["description"]:
            yield from batched("designation", _designations(path, progress))
        for path in self._files.get("language", ()):
            yield from batched("preferred", _preferences(path, progress))
        for path in self._files.get("relationship", ()):
            yield from batched("parent", _parents(path, progress))

    def systems(self) -> Sequence[System]:
        """See Layout. InvalidInput if the edition can't be told from the modules."""
        version = self._version
        if not version:
            if not self._modules <= {_INTERNATIONAL, _MODEL}:
                raise InvalidInput(
                    "These files are of a national edition: name its version (--version), as "
                    "http://snomed.info/sct/<module>/version/<date>."
                )
            version = f"{SNOMED}/{_INTERNATIONAL}/version/{self._newest}"
        tree = {
            "resourceType": "CodeSystem",
            "url": SNOMED,
            "version": version,
            "name": "SNOMED_CT",
            "title": "SNOMED CT",
            "status": "active",
            "caseSensitive": True,
            "hierarchyMeaning": "is-a",
            "compositional": True,
            "content": "complete",
        }
        return [System(1, tree)]

    def _concepts(self, path: Path, progress: Progress) -> Iterator[tuple[Any, ...]]:
        for id_, time, active, module, status in _rows(path, 5, progress):
            self._modules.add(module)
            self._newest = max(self._newest, time)
            properties: list[dict[str, Any]] = [
                {"code": "sufficientlyDefined", "valueBoolean": status == _DEFINED},
                {"code": "moduleId", "valueCode": module},
            ]
            if active != "1":
                properties.append({"code": "inactive", "valueBoolean": True})
            yield 1, id_, "", dump({"property": properties}).decode()


def _designations(path: Path, progress: Progress) -> Iterator[tuple[Any, ...]]:
    uses = {
        code: dump({"system": SNOMED, "code": code, "display": name}).decode() for code, name in _USES.items()
    }
    for id_, _, active, _, concept, language, type_, term, _ in _rows(path, 9, progress):
        if active == "1":
            yield 1, concept, id_, language, uses.get(type_, ""), term


def _parents(path: Path, progress: Progress) -> Iterator[tuple[Any, ...]]:
    for _, _, active, _, source, target, _, type_, characteristic, _ in _rows(path, 10, progress):
        if active == "1" and type_ == _IS_A and characteristic == _INFERRED:
            yield 1, source, target


def _preferences(path: Path, progress: Progress) -> Iterator[tuple[Any, ...]]:
    for _, _, active, _, refset, description, acceptability in _rows(path, 7, progress):
        if active == "1" and acceptability == _PREFERRED:
            yield description, _RANKS.get(refset, len(_RANKS))


def _rows(path: Path, width: int, progress: Progress) -> Iterator[list[str]]:
    found = lines(path, progress)
    next(found)
    for number, line in enumerate(found, 2):
        row = line.rstrip("\r\n").split("\t")
        if len(row) != width or not row[0]:
            raise unreadable(path, number)
        yield row


def _columns(line: bytes) -> str:
    return _COLUMNS.get(line.removeprefix(_FIRST), "") if line.startswith(_FIRST) else ""
