"""What tells how visits were borne, read from the store: each type only where the caller's scopes open it."""

import asyncio

from service.fhir.search_parameters import parameters
from service.fhir.search_query import Clause, ReferenceValue, TokenValue
from service.records.tolerance import CONDITIONS, Administered, Performed, Reported, ToleranceFile
from service.records.views import Encounter, T
from service.records.worded import WordedObservation
from service.security.principal import Principal
from service.store.contract import Query, Store
from service.store.pages import about, observations, viewed
from service.terminology.codes import OBSERVATION

__all__ = ["tolerance_file"]

_CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"


async def tolerance_file(
    store: Store, patient: str, caller: Principal | None, visit: Encounter | None = None
) -> ToleranceFile:
    """Read it for a caller (None: who reads everything); vital signs and agents of one ``visit`` alone."""

    async def opened(type_: str, kind: type[T]) -> list[T] | None:
        open_ = caller is None or (caller.scopes.allow("s", type_) and caller.scopes.allow("r", type_))
        return await viewed(store, kind, about(type_, patient)) if open_ else None

    conditions, signs, events, procedures, agents = await asyncio.gather(
        viewed(store, WordedObservation, observations(patient, OBSERVATION, (CONDITIONS,))),
        viewed(store, WordedObservation, _signs(patient, visit)) if visit else _nothing(),
        opened("AdverseEvent", Reported),
        opened("Procedure", Performed),
        opened("MedicationAdministration", Administered) if visit else _nothing(),
    )
    return ToleranceFile([*conditions, *(signs or ())], events, agents, procedures)


async def _nothing() -> None:
    """Where a person's page has no use for it."""


def _signs(patient: str, visit: Encounter) -> Query:
    """The search for the vital signs of a visit."""
    known = parameters("Observation")
    category = Clause(known["category"].indexes, "token", (TokenValue(_CATEGORY, "vital-signs"),))
    there = Clause(known["encounter"].indexes, "reference", (ReferenceValue((visit.reference,)),))
    return about("Observation", patient, category, there)
