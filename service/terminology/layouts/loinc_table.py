"""The LOINC table, ``Loinc.csv``.

Source of the layout: LOINC Users' Guide, "LOINC Table Structure" (comma separated, UTF-8, a header line that
names the fields). Displays and properties are told as "Using LOINC with FHIR" has them
(hl7.org/fhir/R4/loinc.html).
"""

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from service.errors import InvalidInput
from service.fhir.json import dump
from service.terminology.layouts.reading import lines, unreadable
from service.terminology.layouts.rows import Batch, Progress, System, batched

__all__ = ["LoincTable"]

LOINC = "http://loinc.org"
_PROPERTIES = (
    *("COMPONENT", "PROPERTY", "TIME_ASPCT", "SYSTEM", "SCALE_TYP", "METHOD_TYP", "CLASS"),
    *("STATUS", "CLASSTYPE", "ORDER_OBS"),
)
_NEEDED = frozenset({"LOINC_NUM", "LONG_COMMON_NAME", *_PROPERTIES})
_NAMES = ("SHORTNAME", "DisplayName", "CONSUMER_NAME")
_VERSION = re.compile(r"\d+\.\d+")


class LoincTable:
    """All LOINC codes, without hierarchy; the newest change in it tells the version."""

    name = LOINC

    def __init__(self, paths: Sequence[Path], version: str) -> None:
        """See Layout."""
        if len(paths) > 1:
            raise InvalidInput("The LOINC table is one file.")
        (self._path,) = paths
        self._version = version
        self._newest = (0, 0)

    @staticmethod
    def fits(_path: Path, line: bytes) -> bool:
        """See Layout."""
        return set(line.decode("utf-8", "replace").replace('"', "").split(",")) >= _NEEDED

    def batches(self, progress: Progress) -> Iterator[Batch]:
        """See Layout."""
        yield from batched("concept", self._concepts(progress))

    def systems(self) -> Sequence[System]:
        """See Layout."""
        tree = {
            "resourceType": "CodeSystem",
            "url": LOINC,
            "version": self._version or "{}.{}".format(*self._newest),
            "name": "LOINC",
            "title": "LOINC",
            "status": "active",
            "caseSensitive": False,
            "content": "complete",
        }
        return [System(1, tree)]

    def _concepts(self, progress: Progress) -> Iterator[tuple[Any, ...]]:
        reader = csv.DictReader(lines(self._path, progress))
        for row in reader:
            code, display = row["LOINC_NUM"], row["LONG_COMMON_NAME"]
            if not code or not display or None in row:
                raise unreadable(self._path, reader.line_num)
            if _VERSION.fullmatch(said := row.get("VersionLastChanged") or ""):
                major, _, minor = said.partition(".")
                self._newest = max(self._newest, (int(major), int(minor)))
            yield 1, code, display, dump(_more(row)).decode()


def _more(row: Mapping[str, str]) -> dict[str, Any]:
    properties: list[dict[str, Any]] = [
        {"code": name, "valueString": row[name]} for name in _PROPERTIES if row[name]
    ]
    if row["STATUS"] == "DEPRECATED":
        properties.append({"code": "inactive", "valueBoolean": True})
    names = dict.fromkeys(row[name] for name in _NAMES if row.get(name))
    found: dict[str, Any] = {"property": properties}
    return found | {"designation": [{"language": "en", "value": one} for one in names]} if names else found
