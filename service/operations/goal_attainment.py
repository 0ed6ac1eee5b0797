"""``Patient/[id]/$goal-attainment``: where each goal of a person stands as of a date.

Nothing is stored and no stated status is read as an input (affectsState is false). ``compute`` is what the
page, the command and the export use too.
"""

from datetime import date
from typing import Protocol
from zoneinfo import ZoneInfo

from service.attainment.answers import PatientAnswer
from service.attainment.patient import attain
from service.errors import Gone, NotFound
from service.fhir.json import dump
from service.interactions.context import Context
from service.operations.attainment_parameters import parameters
from service.records.attainment_inputs import OBSERVATIONS_READ, attainment_inputs
from service.records.views import Encounter, Goal, Observation
from service.store.contract import Store, Version
from service.store.pages import Searcher, about, observations, viewed
from service.terminology.codes import OBSERVATION, Codes

__all__ = ["Reading", "compute", "goal_attainment"]


class Reading(Searcher, Protocol):
    """What both a store and a transaction can do."""

    async def read(self, type_: str, id_: str) -> Version | None:
        """Answer the newest version."""
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
    observed = observations(patient_id, OBSERVATION, OBSERVATIONS_READ)
    inputs = attainment_inputs(
        await viewed(reading, Goal, about("Goal", patient_id)),
        await viewed(reading, Observation, observed),
        await viewed(reading, Encounter, about("Encounter", patient_id)),
        zone=zone,
    )
    return attain(inputs, as_of)
