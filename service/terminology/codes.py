"""The codes this service may emit, and how sure we are of each.

They are FHIR resources in ``mappings/terminology/``: CodeSystem (our own, and supplements that list what is
sent of SNOMED CT, LOINC and others), the ValueSet ``codes-sent`` (codes of R4's own systems, and units) and
ConceptMap (which published codes go with a local one: of each group the first that the licence allows). A
concept's properties are ``mark`` (S: read in a published standard; P: read in other public material; local:
ours), ``source`` and ``licence`` (open, loinc, snomed-gps, snomed-full, icd, icf, nucc, ucum).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from service.fhir.canonical import code_system
from service.fhir.code_systems import SNOMED, CodeSystem, shipped_code_system
from service.fhir.json import Tree, reread
from service.fhir.terminology_files import own

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
    mark: str
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
    standard = _standard()
    rows = [row for text in own("CodeSystem").values() for row in _rows(CodeSystem(reread(text)), standard)]
    return {row.key: row for row in (*rows, *_sent(reread(own("ValueSet")["codes-sent"])))}


def _rows(system: CodeSystem, standard: dict[str, list[tuple[str, ...]]]) -> Iterator[CodeRow]:
    for concept in system.concepts.values():
        tree = concept.tree
        told = {one["code"]: one.get("valueCode") or one["valueString"] for one in tree["property"]}
        published = tuple(standard.get(f"{system.url}|{concept.code}", ()))
        words = tree.get("display", ""), tree.get("definition", "")
        yield CodeRow(system.url, concept.code, *words, standard=published, **told)


def _sent(value_set: Tree) -> Iterator[CodeRow]:
    """R4's own codes and units, with the displays that R4 gives them."""
    for part in value_set["compose"]["include"]:
        system = shipped_code_system(part["system"])
        licence, source = ("open", "FHIR R4 4.0.1") if system else ("ucum", "UCUM common units")
        for code in (one["code"] for one in part["concept"]):
            concept = system.concept(code) if system else None
            yield CodeRow(part["system"], code, concept.display if concept else "", "", "S", source, licence)


def _standard() -> dict[str, list[tuple[str, ...]]]:
    """The published codes of local ones: a list for each group that has some, the best first."""
    found: dict[str, list[tuple[str, ...]]] = {}
    for text in own("ConceptMap").values():
        for group in reread(text)["group"]:
            for element in group["element"]:
                keys = tuple(f"{group['target']}|{one['code']}" for one in element["target"])
                found.setdefault(f"{group['source']}|{element['code']}", []).append(keys)
    return found


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
