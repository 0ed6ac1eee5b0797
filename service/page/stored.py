"""The pages' views over a store: facts by search, goals by the same operation as the API's."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from service.attainment.answers import PatientAnswer
from service.attainment.trials import Trial
from service.attainment.visits import VisitResult
from service.errors import Gone
from service.fhir.json import reread
from service.operations.goal_attainment import compute
from service.page import facts
from service.page.goals import goal_views
from service.page.resources import ResourceView, resource_view
from service.page.view_model import PatientView, TrialRow
from service.records.views import Encounter, views
from service.records.worded import WordedCondition, WordedObservation
from service.security.principal import Principal
from service.store.contract import Store, Version
from service.store.pages import about, observations, viewed
from service.terminology.codes import OBSERVATION

__all__ = ["StoredViews"]

VISITS_OFFERED = 12


@dataclass(frozen=True, slots=True)
class StoredViews:
    """Reads people from ``store``; ``now`` answers the present, ``zone`` is the site's."""

    store: Store
    zone: ZoneInfo
    now: Callable[[], datetime]

    async def patient(self, id_: str, day: date | None) -> PatientView:
        """Answer one person as of a day (None: today)."""
        day = day or self._today()
        answer = await self._answer(id_, day)
        patient = await self.store.read("Patient", id_)
        if patient is None or patient.deleted:  # while the answer was computed
            raise Gone(f"Patient/{id_} was deleted.")
        conditions, encounters, observed = await asyncio.gather(
            viewed(self.store, WordedCondition, about("Condition", id_)),
            viewed(self.store, Encounter, about("Encounter", id_)),
            viewed(self.store, WordedObservation, observations(id_, OBSERVATION, facts.FACTS)),
        )
        last = answer.visits[-1] if answer.visits else None
        return PatientView(
            id=id_,
            day=day,
            banner=facts.banner(
                reread(patient.content), conditions, encounters, facts.Known(observed, day, self.zone)
            ),
            visits=tuple(facts.visit_days(encounters, self.zone)[-VISITS_OFFERED:]),
            goals=goal_views(answer),
            trials_day=last.day if last else None,
            trials=await self._trials(last) if last else (),
        )

    async def resource(self, type_: str, id_: str, caller: Principal) -> ResourceView:
        """Answer one stored resource the caller may read."""
        return await resource_view(self.store, type_, id_, caller)

    async def _answer(self, patient: str, day: date) -> PatientAnswer:
        return await compute(self.store, patient, day, zone=self.zone)

    def _today(self) -> date:
        return self.now().astimezone(self.zone).date()

    async def _trials(self, visit: VisitResult) -> tuple[TrialRow, ...]:
        return tuple([await self._trial(trial) for trial in visit.probe.trials])

    async def _trial(self, trial: Trial) -> TrialRow:
        """A trial as the answer has it; the effort, which no number rests on, comes from its Observation."""
        type_, _, id_ = trial.evidence.partition("/")
        stored = await self.store.read(type_, id_) if id_ else None
        return TrialRow(
            number=trial.number,
            posture=_posture(trial.posture),
            observed=_words(trial.observed) + (f": {_words(trial.reason)}" if trial.reason else ""),
            own=_words(trial.judgement),
            effort=_effort(stored) or "not recorded",
            hold=f"{float(trial.hold):g} s" if trial.hold is not None else "not recorded",
        )


def _effort(stored: Version | None) -> str:
    trials = views(WordedObservation, [stored.content] if stored and not stored.deleted else [])
    return "".join(facts.answer(trial.part("effort-instructed")) for trial in trials)


def _words(code: str) -> str:
    return code.replace("-", " ")


def _posture(codes: str) -> str:
    """``head-neutral, closed`` is the head's posture, then the jaw's."""
    head, _, jaw = codes.partition(", ")
    return (_words(head) + (f", jaw {jaw}" if jaw else "")) or "not recorded"
