"""The code tables: every code this service may emit, and how sure we are of it.

``mappings/terminology/*.json`` holds one row per code: ``system``, ``code``, ``display`` as its source shows
it, ``definition`` (local codes, own wording), ``mark`` (S: read in a published standard; P: read in other
public material; local: ours), ``source``, ``licence`` (open, loinc, snomed-gps, snomed-full, icd, icf, nucc,
ucum) and, for local codes, ``standard``: lists of ``system|code``; from each list the first that the licence
allows is sent before the local coding.
"""

import json
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from service.fhir.canonical import code_system
from service.settings import shipped

__all__ = [
    "EXERCISE",
    "LOINC",
    "OBSERVATION",
    "SNOMED",
    "UCUM",
    "VALUE",
    "CodeRow",
    "Codes",
    "codes",
    "slug",
]

OBSERVATION = code_system("swallow-observation")
VALUE = code_system("swallow-value")
EXERCISE = code_system("swallow-exercise")
LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"

Concept = dict[str, Any]
"""A FHIR CodeableConcept as plain data."""


@dataclass(frozen=True, slots=True)
class CodeRow:
    """One row of the tables."""

    system: str
    code: str
    display: str
    definition: str
    mark: Literal["S", "P", "local"]
    source: str
    licence: str
    standard: tuple[tuple[str, ...], ...] = ()

    @property
    def key(self) -> str:
        """``system|code``."""
        return f"{self.system}|{self.code}"


def slug(words: str) -> str:
    """The code of an answer in the trade's words: ``not closed`` is ``not-closed``."""
    return "-".join(words.lower().replace("_", " ").replace("-", " ").split())


@cache
def _tables() -> dict[str, CodeRow]:
    """Every row, by ``system|code``."""
    rows: dict[str, CodeRow] = {}
    for path in sorted(shipped("mappings", "terminology").glob("*.json")):
        table = json.loads(path.read_text(encoding="utf-8"))
        for raw in table["rows"]:
            row = CodeRow(
                system=raw.get("system", table.get("system")),
                code=raw["code"],
                display=raw.get("display", ""),
                definition=raw.get("definition", ""),
                mark=raw["mark"],
                source=raw["source"],
                licence=raw["licence"],
                standard=tuple(tuple(group) for group in raw.get("standard", ())),
            )
            rows[row.key] = row
    return rows


class Codes:
    """Look-up of concepts under one licence setting."""

    def __init__(self, snomed: Literal["all", "gps"]) -> None:
        """``gps`` leaves out SNOMED CT codes that are not in the Global Patient Set."""
        self._rows = {
            key: row for key, row in _tables().items() if snomed == "all" or row.licence != "snomed-full"
        }
        self._codings: dict[tuple[str, str, bool], list[Concept]] = {}

    def rows(self) -> list[CodeRow]:
        """Every row this setting allows."""
        return list(self._rows.values())

    def has(self, system: str, code: str) -> bool:
        """Whether the code is in the tables."""
        return f"{system}|{code}" in self._rows

    def display(self, system: str, code: str) -> str:
        """The display of a code; the code itself where its source shows none."""
        return self._rows[f"{system}|{code}"].display or code

    def coding(self, system: str, code: str) -> Concept:
        """A Coding of a listed code. KeyError if it is not in the tables."""
        row = self._rows[f"{system}|{code}"]
        coding = {"system": row.system, "code": row.code}
        return {**coding, "display": row.display} if row.display else coding

    def concept(
        self, code: str, *, system: str = OBSERVATION, text: str = "", standard: bool = True
    ) -> Concept:
        """A CodeableConcept: standard codings the licence allows, then the local one, and a text.

        ``text`` defaults to the display of ``code``. ``standard=False`` sends the local coding alone.
        """
        codings = self._codings.get((system, code, standard))
        if codings is None:
            codings = self._codings[system, code, standard] = self._find(system, code, standard=standard)
        return {"coding": [dict(coding) for coding in codings], "text": text or self.display(system, code)}

    def answer(self, words: str, *, standard: bool = True) -> Concept:
        """The concept of an answer in the record's words (``not closed``)."""
        return self.concept(slug(words), system=VALUE, standard=standard)

    def exercise(self, words: str) -> Concept:
        """The concept of a manoeuvre, exercise or posture in the record's words."""
        return self.concept(slug(words), system=EXERCISE)

    def _find(self, system: str, code: str, *, standard: bool) -> list[Concept]:
        row = self._rows[f"{system}|{code}"]
        found = [self.coding(system, code)]
        for group in reversed(row.standard if standard else ()):
            allowed = next((key for key in group if key in self._rows), None)
            if allowed:
                found.insert(0, self.coding(*allowed.rsplit("|", 1)))
        return found


@cache
def codes(snomed: Literal["all", "gps"] = "all") -> Codes:
    """The look-up for ``Settings.snomed``."""
    return Codes(snomed)
