"""``Patient/[id]/$goal-attainment``: where each goal of a person stands as of a date.

Nothing is stored and no stated status is read as an input (affectsState is false). ``compute`` is what the
page, the command and the export use too.
"""

from collections import defaultdict
from datetime import date
from typing import Protocol
from zoneinfo import ZoneInfo

from service.attainment.answers import PatientAnswer
from service.attainment.cues import CueLimits
from service.attainment.patient import attain
from service.errors import Gone, NotFound
from service.fhir.json import dump
from service.interactions.aside import aside
from service.interactions.context import Context
from service.operations.attainment_parameters import parameters
from service.records.attainment_file import READS, AttainmentFile
from service.records.attainment_inputs import OBSERVATIONS_READ, attainment_inputs
from service.records.views import (
    CarePlan,
    Encounter,
    Goal,
    Observation,
    Patient,
    QuestionnaireResponse,
    views,
)
from service.store.contract import Store, Version
from service.store.pages import Searcher, about, every, observations
from service.terminology.codes import OBSERVATION, Codes

__all__ = ["READS", "Reading", "compute", "goal_attainment"]

_TYPES = ("Goal", "Encounter", "CarePlan", "QuestionnaireResponse")


class Reading(Searcher, Protocol):
    """What both a store and a transaction can do."""

    async def read(self, type_: str, id_: str) -> Version | None:
        """Answer the newest version."""
        ...


async def goal_attainment(
    store: Store, patient_id: str, as_of: date, *, context: Context, codes: Codes
) -> bytes:
    """Answer the Parameters resource, as JSON text."""
    for type_ in READS:
        context.allow("r", type_)
    answer = await compute(store, patient_id, as_of, zone=context.zone, limits=context.cue_limits)
    return dump(parameters(answer, patient=f"Patient/{patient_id}", codes=codes))


async def compute(
    reading: Reading, patient_id: str, as_of: date, *, zone: ZoneInfo, limits: CueLimits | None = None
) -> PatientAnswer:
    """Read what is needed of one patient and compute; NotFound or Gone if there is no such patient.

    ``limits`` say when an attention cue is given; None for the usual ones.
    """
    patient = await reading.read("Patient", patient_id)
    if patient is None:
        raise NotFound(f"Patient/{patient_id} is not known.")
    if patient.deleted:
        raise Gone(f"Patient/{patient_id} was deleted.")
    texts = await _on_file(reading, patient)

    def answer() -> PatientAnswer:
        return attain(attainment_inputs(_viewed(texts), zone=zone, as_of=as_of), as_of, limits)

    return await aside(answer)


async def _on_file(reading: Reading, patient: Version) -> dict[str, list[bytes]]:
    """Texts by type; two searches: the Observations, and all that is of the other types."""
    texts: dict[str, list[bytes]] = defaultdict(list, Patient=[patient.content])
    for query in (
        about(_TYPES[0], patient.id, also=_TYPES[1:]),
        observations(patient.id, OBSERVATION, OBSERVATIONS_READ),
    ):
        async for version in every(reading, query):
            texts[version.type].append(version.content)
    return texts


def _viewed(texts: dict[str, list[bytes]]) -> AttainmentFile:
    return AttainmentFile(
        views(Goal, texts["Goal"]),
        views(Observation, texts["Observation"]),
        views(Encounter, texts["Encounter"]),
        views(CarePlan, texts["CarePlan"]),
        views(QuestionnaireResponse, texts["QuestionnaireResponse"]),
        next(iter(views(Patient, texts["Patient"])), Patient()),
    )
