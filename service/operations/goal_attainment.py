"""``Patient/[id]/$goal-attainment``: where each goal of a person stands as of a date.

Nothing is stored and no stated status is read as an input (affectsState is false). ``compute`` is what the
page, the command and the export use too.
"""

from datetime import date
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from service.attainment.answers import PatientAnswer
from service.attainment.patient import attain
from service.errors import Gone, NotFound
from service.fhir.json import dump
from service.fhir.search_parameters import Clause, ReferenceValue, TokenValue
from service.fhir.search_parameters import parameters as search_parameters
from service.interactions.context import Context
from service.operations.attainment_parameters import parameters
from service.operations.needed import needed
from service.records.attainment_inputs import OBSERVATIONS_READ, attainment_inputs
from service.store.contract import Page, Query, Store, Version
from service.terminology.codes import OBSERVATION, Codes

__all__ = ["Reading", "compute", "goal_attainment"]

_PAGE = 2_000


class Reading(Protocol):
    """What both a store and a transaction can do."""

    async def read(self, type_: str, id_: str) -> Version | None:
        """Answer the newest version."""
        ...

    async def search(self, query: Query) -> Page:
        """Answer one page of current versions."""
        ...


async def goal_attainment(
    store: Store, patient_id: str, as_of: date, *, context: Context, codes: Codes
) -> bytes:
    """Answer the Parameters resource, as JSON text."""
    for type_ in ("Patient", "Goal", "Observation"):
        context.allow("r", type_)
    answer = await compute(store, patient_id, as_of, zone=context.zone)
    return dump(parameters(answer, patient=f"Patient/{patient_id}", codes=codes))


async def compute(reading: Reading, patient_id: str, as_of: date, *, zone: ZoneInfo) -> PatientAnswer:
    """Read what is needed of one patient and compute; NotFound or Gone if there is no such patient."""
    patient = await reading.read("Patient", patient_id)
    if patient is None:
        raise NotFound(f"Patient/{patient_id} is not known.")
    if patient.deleted:
        raise Gone(f"Patient/{patient_id} was deleted.")
    own = tuple(TokenValue(OBSERVATION, code) for code in OBSERVATIONS_READ)
    resources = [
        *await _all(reading, "Goal", patient_id),
        *await _all(reading, "Encounter", patient_id),
        *await _all(reading, "Observation", patient_id, Clause(_index("Observation", "code"), "token", own)),
    ]
    return attain(attainment_inputs(resources, zone=zone), as_of)


async def _all(reading: Reading, type_: str, patient_id: str, *more: Clause) -> list[dict[str, Any]]:
    """Every current resource of a type about the patient."""
    about = Clause(_index(type_, "patient"), "reference", (ReferenceValue((f"Patient/{patient_id}",)),))
    found: list[dict[str, Any]] = []
    after: str | None = ""
    while after is not None:
        page = await reading.search(Query(type_, (about, *more), count=_PAGE, after=after, total="none"))
        found += (needed(version.content) for version in page.versions)
        after = page.next_after
    return found


def _index(type_: str, name: str) -> str:
    return search_parameters(type_)[name].index
