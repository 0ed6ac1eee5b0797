"""Reading what is on file about one patient."""

from service.errors import PreconditionFailed
from service.fhir.json import Tree, reread
from service.fhir.search_clauses import Reader, parse_clauses
from service.fhir.search_parameters import patient_parameter
from service.fhir.search_query import Clause, ReferenceValue
from service.records.identity import token
from service.records.on_file import OnFile
from service.records.visit import Identifier
from service.settings import Settings
from service.store.contract import Query
from service.store.pages import Searcher, every, observations
from service.terminology.codes import OBSERVATION

__all__ = ["file_about", "read_file"]

_OBSERVATIONS = ("goal-stated-status", "goal-baseline", "breath-hold-clearance", "red-flag-checklist")
_PAGE = 2_000
_TYPES = (
    "AdverseEvent",
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


async def read_file(searcher: Searcher, patient: Identifier, settings: Settings) -> OnFile:
    """What authoring and the rules need to know of the patient with this identifier; empty if unknown.

    PreconditionFailed if several patients carry it.
    """
    asked = [("identifier", token(patient.system, patient.value))]
    clauses = parse_clauses("Patient", asked, reader=Reader(settings.zone, now=0)).clauses
    found = await _all(searcher, Query("Patient", clauses, total="none"))
    if len(found) > 1:
        raise PreconditionFailed("Several patients carry this identifier; make it unique first.")
    if not found:
        return OnFile()
    return await file_about(searcher, found[0])


async def file_about(searcher: Searcher, patient: Tree) -> OnFile:
    """The same of a stored Patient."""
    id_ = patient["id"]
    resources: dict[str, list[Tree]] = {type_: [] for type_ in _TYPES}
    for one in await _all(searcher, _about(id_)):
        resources[one["resourceType"]].append(one)
    resources["Observation"] = await _all(searcher, observations(id_, OBSERVATION, _OBSERVATIONS))
    return OnFile(patient, resources)


def _about(patient_id: str) -> Query:
    """One search for everything of these types that is about the patient."""
    ways = [own.indexes for type_ in _TYPES if (own := patient_parameter(type_))]
    indexes = tuple(index for way in ways for index in way)
    whose = Clause(indexes, "reference", (ReferenceValue((f"Patient/{patient_id}",)),))
    return Query(_TYPES[0], (whose,), count=_PAGE, total="none", also=_TYPES[1:])


async def _all(searcher: Searcher, query: Query) -> list[Tree]:
    return [reread(version.content) async for version in every(searcher, query)]
