"""Reading what is on file about one patient."""

from typing import Protocol

from service.errors import PreconditionFailed
from service.fhir.json import Tree, parse
from service.fhir.search_clauses import Reader, parse_clauses
from service.records.identity import token
from service.records.on_file import OnFile
from service.records.visit import Identifier
from service.settings import Settings
from service.store.contract import Page, Query
from service.terminology.codes import OBSERVATION

__all__ = ["Searcher", "read_file"]

_PAGE = 500
_OBSERVATIONS = ("goal-stated-status", "goal-baseline", "breath-hold-clearance", "red-flag-checklist")
_TYPES = (
    "Encounter",
    "EpisodeOfCare",
    "Condition",
    "Consent",
    "QuestionnaireResponse",
    "Goal",
    "CarePlan",
    "ServiceRequest",
    "Flag",
)


class Searcher(Protocol):
    """A store, or a transaction of it."""

    async def search(self, query: Query) -> Page:
        """Answer one page."""
        ...


async def read_file(searcher: Searcher, patient: Identifier, settings: Settings) -> OnFile:
    """What authoring and the rules need to know of the patient with this identifier; empty if unknown.

    PreconditionFailed if several patients carry it.
    """
    asked = [("identifier", token(patient.system, patient.value))]
    found = await _all(searcher, "Patient", asked, settings)
    if len(found) > 1:
        raise PreconditionFailed("Several patients carry this identifier; make it unique first.")
    if not found:
        return OnFile()
    subject = ("patient", f"Patient/{found[0]['id']}")
    resources = {type_: await _all(searcher, type_, [subject], settings) for type_ in _TYPES}
    # AdverseEvent has no "patient" parameter in R4.
    resources["AdverseEvent"] = await _all(searcher, "AdverseEvent", [("subject", subject[1])], settings)
    codes = ",".join(token(OBSERVATION, code) for code in _OBSERVATIONS)
    resources["Observation"] = await _all(searcher, "Observation", [subject, ("code", codes)], settings)
    return OnFile(found[0], resources)


async def _all(
    searcher: Searcher, type_: str, asked: list[tuple[str, str]], settings: Settings
) -> list[Tree]:
    clauses = parse_clauses(type_, asked, reader=Reader(settings.zone, now=0)).clauses
    found: list[Tree] = []
    after = ""
    while True:
        page = await searcher.search(Query(type_, clauses, count=_PAGE, after=after, total="none"))
        found += [parse(version.content) for version in page.versions]
        if page.next_after is None:
            return found
        after = page.next_after
