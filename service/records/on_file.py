"""What is on file about a patient, as the rules and the authoring want it.

Everything is seen as of the record's visit and without what stems from the record itself, so a record sent
again is judged like the first time.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from service.fhir.datetimes import milliseconds
from service.records.context import (
    ClearanceOnFile,
    GoalOnFile,
    PlanLineOnFile,
    PlanOnFile,
    RecordContext,
    ScreenOnFile,
    VisitOnFile,
)
from service.records.identity import Names, decoded, key_of_goal
from service.records.known import Known, KnownLine, KnownPlan
from service.records.parts import (
    day_of,
    extension_value,
    identifiers,
    in_error,
    is_own,
    moment_of,
    target,
)
from service.records.plan_chain import PlanSpan, chain
from service.records.preliminary import amending, signature_status, without_preliminary
from service.records.safety import SAFETY_SCREEN
from service.records.stored import Resource, code_of, component, extensions, reference_to, value_code

__all__ = ["OnFile", "Seen"]


@dataclass(frozen=True, slots=True)
class OnFile:
    """Current resources about one patient, by type; ``patient`` is the stored Patient, None if unknown."""

    patient: Resource | None = None
    resources: Mapping[str, Sequence[Resource]] = field(default_factory=dict)

    @property
    def signed(self) -> "OnFile":
        """The same file without what waits for a signature: that changes nothing of other records."""
        return OnFile(self.patient, without_preliminary(self.resources))

    @property
    def stamp(self) -> frozenset[tuple[str, str]]:
        """Which version of what this is; equal stamps mean equal files."""
        every = [
            *([self.patient] if self.patient else []),
            *(one for all_ in self.resources.values() for one in all_),
        ]
        return frozenset((reference_to(one), one["meta"]["versionId"]) for one in every)


class Seen:
    """The file as one record sees it: as of its visit, without its own parts and without errors."""

    def __init__(self, file: OnFile, names: Names, start: datetime, zone: ZoneInfo) -> None:
        """``start`` is the visit's start with its offset, ``zone`` the site's."""
        self._everything = file
        self._file = file.signed
        self._names = names
        self._start = start
        self._zone = zone

    def context(self) -> RecordContext:
        """What the rules compare the record with."""
        patient = self._file.patient
        plans = self._plans()
        return RecordContext(
            patient_known=patient is not None,
            birth_date=day_of(patient.get("birthDate", "")) if patient else None,
            episode_start=self._episode_start(),
            has_conditions=bool(self._others("Condition")),
            has_research_consent=bool(self._others("Consent")),
            screen=self._screen(),
            clearance=self._clearance(),
            plans=tuple(self._plan_on_file(plan) for plan in plans),
            goals={goal.key: goal for goal in map(_goal, self._goals())},
            visits=tuple(self._visits()),
            signature=self._signature(),
        )

    def known(self, episode_start: date | None) -> Known:
        """What authoring refers to. ``episode_start`` is what the record says about its episode."""
        patient = self._file.patient
        return Known(
            patient=reference_to(patient) if patient else "",
            episode=self._episode(episode_start),
            goals={_key(goal): reference_to(goal) for goal in self._goals()},
            plans=tuple(self._known_plan(plan) for plan in self._plans()),
        )

    def _others(self, type_: str) -> list[Resource]:
        return [
            one
            for one in self._file.resources.get(type_, ())
            if not in_error(one) and not is_own(one, self._names)
        ]

    def _begun(self, text: str) -> bool:
        """Whether a date or time lies before this visit, or on its day where it is a day only."""
        if len(text) <= 10:
            return text <= self._start.date().isoformat()
        return moment_of(text, self._zone) < milliseconds(self._start)

    def _visits(self) -> list[VisitOnFile]:
        found = []
        for encounter in self._everything.resources.get("Encounter", ()):
            if in_error(encounter) or is_own(encounter, self._names):
                continue
            text = encounter.get("period", {}).get("start", "")
            value = next((value for _, value in identifiers(encounter)), "")
            if len(text) > len("2026-02-04"):
                found.append(VisitOnFile(decoded(value), datetime.fromisoformat(text)))
        return found

    def _signature(self) -> str:
        """How this very record was signed as it is on file; empty if it is not there."""
        stored = self._everything.resources.get("Encounter", ())
        own = [one for one in stored if is_own(one, self._names) and not in_error(one)]
        return next(("amended" if amending(one) else signature_status(one) or "sent" for one in own), "")

    def _episodes(self) -> list[tuple[str, Resource]]:
        """Episodes that began no later than the visit, the newest first."""
        dated = [(one.get("period", {}).get("start", ""), one) for one in self._others("EpisodeOfCare")]
        return sorted(
            ((start, one) for start, one in dated if start and self._begun(start)),
            key=lambda pair: (pair[0], reference_to(pair[1])),
            reverse=True,
        )

    def _episode_start(self) -> date | None:
        return next((day_of(start) for start, _ in self._episodes()), None)

    def _episode(self, stated: date | None) -> str:
        """The episode that began on the day the record states; no other is guessed."""
        wanted = stated.isoformat() if stated else None
        return next((reference_to(one) for start, one in self._episodes() if start == wanted), "")

    def _screen(self) -> ScreenOnFile | None:
        found = [
            one
            for one in self._others("QuestionnaireResponse")
            if one.get("questionnaire", "").split("|")[0] == SAFETY_SCREEN
            and self._begun(one.get("authored", ""))
        ]
        newest = self._newest(found, "authored")
        day = day_of(newest["authored"]) if newest else None
        if newest is None or day is None:
            return None
        return ScreenOnFile(day, {item["linkId"]: _answer(item) for item in newest.get("item", [])})

    def _clearance(self) -> ClearanceOnFile | None:
        found = [
            one
            for one in self._coded("breath-hold-clearance")
            if self._begun(one.get("effectiveDateTime", ""))
        ]
        newest = self._newest(found, "effectiveDateTime")
        day = day_of(newest["effectiveDateTime"]) if newest else None
        if newest is None or day is None:
            return None
        limit = value_code(component(newest, "effort-limit"))
        return ClearanceOnFile(day, value_code(newest).replace("-", " "), limit or None)

    def _newest(self, found: list[Resource], name: str) -> Resource | None:
        dated = [one for one in found if day_of(one.get(name, ""))]
        return max(
            dated,
            key=lambda one: (moment_of(one[name], self._zone), one["meta"]["lastUpdated"]),
            default=None,
        )

    def _coded(self, code: str) -> list[Resource]:
        return [one for one in self._others("Observation") if code_of(one.get("code")) == code]

    def _plans(self) -> list[PlanSpan]:
        """Plans given at earlier visits, chained among themselves."""
        return chain(
            [one for one in self._others("CarePlan") if self._begun(one.get("created", ""))], self._zone
        )

    def _requests(self, plan: PlanSpan) -> list[tuple[str, Resource]]:
        """Exercise name and ServiceRequest of each line of a plan."""
        by_reference = {reference_to(one): one for one in self._others("ServiceRequest")}
        found = [by_reference.get(target(one.get("reference"))) for one in plan.resource.get("activity", [])]
        return [(value.rsplit("/", 1)[-1], one) for one in found if one for _, value in identifiers(one)]

    def _plan_on_file(self, plan: PlanSpan) -> PlanOnFile:
        levels = [one["valueInteger"] for one in extensions(plan.resource, "plan-cleared-level")]
        lines = [PlanLineOnFile(name, _daily(one)) for name, one in self._requests(plan)]
        return PlanOnFile(plan.start, plan.end, tuple(lines), tuple(levels) or None)

    def _known_plan(self, plan: PlanSpan) -> KnownPlan:
        lines = {
            name: KnownLine(
                reference_to(one), _daily(one), extension_value(one, "exercise-days-per-week") or 7
            )
            for name, one in self._requests(plan)
        }
        return KnownPlan(reference_to(plan.resource), plan.start, plan.end, lines)

    def _goals(self) -> list[Resource]:
        return [one for one in self._others("Goal") if _key(one)]


def _goal(goal: Resource) -> GoalOnFile:
    has_baseline = bool(target(extension_value(goal, "goal-baseline")))
    return GoalOnFile(_key(goal), goal["lifecycleStatus"], has_baseline)


def _key(goal: Resource) -> str:
    return next((key for _, value in identifiers(goal) if (key := key_of_goal(value))), "")


def _answer(item: Resource) -> str:
    answers: list[Any] = item.get("answer") or [{}]
    return str(answers[0].get("valueCoding", {}).get("code", ""))


def _daily(request: Resource) -> int:
    """Repetitions on a practice day: sets times repetitions times sessions."""
    sets = extension_value(request, "exercise-sets") or 1
    sessions = extension_value(request, "exercise-sessions-per-day") or 1
    repetitions = request.get("quantityQuantity", {}).get("value", 0)
    return int(sets * sessions * repetitions)
