"""The pages' views over a store: facts by search, goals by the same operation as the API's."""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from service.attainment.answers import PatientAnswer
from service.attainment.cues import CueLimits
from service.errors import Gone, NotFound
from service.fhir.json import reread
from service.interactions.read import there
from service.operations.goal_attainment import compute
from service.page import facts
from service.page.amended_rows import AmendedView, amended_view
from service.page.decision_rows import DecisionRow, decision_rows
from service.page.home_plan import home_plan
from service.page.patient_view import OnFile, PatientView, patient_view
from service.page.resources import ResourceView, resource_view
from service.page.study_conditions import CONDITIONS, view_quality
from service.page.tolerance import marks_closed
from service.page.tolerance_file import tolerance_file
from service.page.visit_changes import changes
from service.page.visit_view import READ, VisitView, visit_view
from service.records.attainment_file import AttainmentFile
from service.records.screened import AnsweredScreen, screened
from service.records.seen import day_of
from service.records.tolerance import tolerance
from service.records.views import CarePlan, Encounter
from service.records.visit_marks import visit_marks
from service.records.worded import WordedCondition, WordedObservation, WordedRequest
from service.security.principal import Principal
from service.store.contract import Store
from service.store.pages import about, observations, viewed
from service.terminology.codes import OBSERVATION

__all__ = ["StoredViews"]

VISITS_OFFERED = 12


@dataclass(frozen=True, slots=True)
class StoredViews:
    """Reads people from ``store``; ``now`` answers the present, ``zone`` is the site's.

    ``limits`` say when an attention cue is given; None for the usual ones.
    """

    store: Store
    zone: ZoneInfo
    now: Callable[[], datetime]
    limits: CueLimits | None = None

    async def patient(self, id_: str, day: date | None, caller: Principal | None = None) -> PatientView:
        """Answer one person as of a day (None: today), as far as the caller reads it (None: all of it)."""
        day = day or self.today()
        answer = await self._answer(id_, day)
        patient = await self.store.read("Patient", id_)
        if patient is None or patient.deleted:  # while the answer was computed
            raise Gone(f"Patient/{id_} was deleted.")
        conditions, encounters, plans, exercises, observed, screens = await asyncio.gather(
            viewed(self.store, WordedCondition, about("Condition", id_)),
            viewed(self.store, Encounter, about("Encounter", id_)),
            viewed(self.store, CarePlan, about("CarePlan", id_)),
            viewed(self.store, WordedRequest, about("ServiceRequest", id_)),
            viewed(self.store, WordedObservation, observations(id_, OBSERVATION, (*facts.FACTS, CONDITIONS))),
            viewed(self.store, AnsweredScreen, about("QuestionnaireResponse", id_)),
        )
        borne = await tolerance_file(self.store, id_, caller)
        known = facts.Known(observed, day, self.zone)
        file = OnFile(
            facts.banner(
                reread(patient.content), conditions, encounters, known, screened(screens, day, self.zone)
            ),
            tuple(facts.visit_days(encounters, self.zone)[-VISITS_OFFERED:]),
            facts.encounters_by_day(encounters, self.zone),
            view_quality(observed, self.zone),
            home_plan(AttainmentFile(encounters=encounters, plans=plans), exercises, day, self.zone),
            visit_marks(borne, encounters, self.zone, day),
            marks_closed(borne),
        )
        return patient_view(id_, answer, file)

    async def visit(self, patient: str, encounter: str, caller: Principal | None = None) -> VisitView:
        """Answer one visit of one person, as ``patient`` does; NotFound if they had none of this id."""
        person = there(await self.store.read("Patient", patient), f"Patient/{patient[:64]}")
        encounters = await viewed(self.store, Encounter, about("Encounter", patient))
        found = next((one for one in encounters if one.id == encounter and one.in_force), None)
        day = day_of(found.period.start, self.zone) if found else None
        if found is None or day is None:
            raise NotFound(f"There is no visit {encounter[:64]} of this person.")
        before = facts.last_visit(encounters, day - timedelta(days=1), self.zone)
        answers = await asyncio.gather(*(self._answer(patient, one) for one in (before, day) if one))
        about_it = reread(person.content)
        borne = await tolerance_file(self.store, patient, caller, found)
        return visit_view(
            (patient, facts.name(about_it), facts.invented(about_it)),
            (found, tolerance(borne, found, self.zone)),
            (day, before),
            await viewed(self.store, WordedObservation, observations(patient, OBSERVATION, READ)),
            changes(answers[0] if before else None, answers[-1]),
        )

    async def amended(self, encounter: str, caller: Principal) -> AmendedView:
        """Answer what an amendment changed of a visit since it was signed, as far as the caller reads it."""
        return await amended_view(self.store, encounter, caller, self.zone)

    async def resource(self, type_: str, id_: str, caller: Principal) -> ResourceView:
        """Answer one stored resource the caller may read."""
        return await resource_view(self.store, type_, id_, caller)

    async def decisions(self, names: Mapping[str, str], caller: Principal) -> tuple[DecisionRow, ...]:
        """Answer what was decided about resources, newest first; none where the caller may not read it."""
        if not (caller.scopes.allow("s", "Provenance") and caller.scopes.allow("r", "Provenance")):
            return ()
        return await decision_rows(self.store, names, self.zone)

    async def _answer(self, patient: str, day: date) -> PatientAnswer:
        return await compute(self.store, patient, day, zone=self.zone, limits=self.limits)

    def today(self) -> date:
        """Answer today at the site."""
        return self.now().astimezone(self.zone).date()
