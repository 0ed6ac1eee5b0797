"""The order file of ICD-10-CM, ``icd10cm-order-<year>.txt``.

Source of the layout: the guide that the National Center for Health Statistics publishes beside the file
(icd10OrderFiles; from memory): position 1-5 order number, 7-13 code without dot, 15 '0' for a header and '1'
for a code that is complete, 17-76 short description, from 78 on long description.
"""

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from service.errors import InvalidInput
from service.fhir.json import dump
from service.terminology.layouts.reading import lines, unreadable
from service.terminology.layouts.rows import Batch, Progress, System, batched

__all__ = ["Icd10CmOrder"]

ICD_10_CM = "http://hl7.org/fhir/sid/icd-10-cm"
_LINE = re.compile(r"\d{5} ([A-Z][0-9][0-9A-Z]{1,5}) *(?<=^.{14})([01]) (.{60}) (.+)")
_YEAR = re.compile(r"20\d\d")
_HEADER = dump({"property": [{"code": "header", "valueBoolean": True}]}).decode()


class Icd10CmOrder:
    """All codes of one year, dotted; a code is below the nearest one before it that it begins with."""

    name = ICD_10_CM

    def __init__(self, paths: Sequence[Path], version: str) -> None:
        """See Layout."""
        if len(paths) > 1:
            raise InvalidInput("The order file is one file.")
        (self._path,) = paths
        year = _YEAR.search(self._path.stem)
        self._version = version or (year[0] if year else "")
        if not self._version:
            raise InvalidInput(f"{self._path.name} does not say its year: name it (--version).")

    @staticmethod
    def fits(_path: Path, line: bytes) -> bool:
        """See Layout."""
        return _LINE.fullmatch(line.decode("utf-8", "replace")) is not None

    def batches(self, progress: Progress) -> Iterator[Batch]:
        """See Layout."""
        parents: list[tuple[Any, ...]] = []
        for batch in batched("concept", self._concepts(progress, parents)):
            yield batch
            yield Batch("parent", parents.copy())
            parents.clear()

    def systems(self) -> Sequence[System]:
        """See Layout."""
        tree = {
            "resourceType": "CodeSystem",
            "url": ICD_10_CM,
            "version": self._version,
            "name": "ICD_10_CM",
            "title": "ICD-10-CM",
            "status": "active",
            "caseSensitive": False,
            "hierarchyMeaning": "is-a",
            "content": "complete",
        }
        return [System(1, tree)]

    def _concepts(self, progress: Progress, parents: list[tuple[Any, ...]]) -> Iterator[tuple[Any, ...]]:
        above: list[str] = []
        for number, line in enumerate(lines(self._path, progress), 1):
            found = _LINE.fullmatch(line.rstrip("\r\n"))
            if found is None:
                raise unreadable(self._path, number)
            code = found[1]
            while above and not code.startswith(above[-1]):
                above.pop()
            if above:
                parents.append((1, _dotted(code), _dotted(above[-1])))
            above.append(code)
            yield 1, _dotted(code), found[4].strip(), _HEADER if found[2] == "0" else "{}"


def _dotted(code: str) -> str:
    return f"{code[:3]}.{code[3:]}" if len(code) > 3 else code
