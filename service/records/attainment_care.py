"""What attention cues and phases rest on: flags, clearances, diet, plans, screens, effort."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from fractions import Fraction
from zoneinfo import ZoneInfo

from service.attainment.goals import Value
from service.attainment.inputs import CareFacts, Ending, Exertion, Noted, Plan
from service.records.attainment_file import AttainmentFile
from service.records.safety import SAFETY_SCREEN
from service.records.seen import Seen, day_of
from service.records.views import CarePlan, Encounter, QuestionnaireResponse

__all__ = ["CARE_CODES", "care_facts", "home_plans"]

CARE_CODES = (
    "red-flag-checklist",
    "breath-hold-clearance",
    "pneumonia-since-last-visit",
    "liquid-level",
    "food-level",
    "reason-for-ending",
)
"""Own codes of the Observations read here alone; they stay in force when a visit's values are left out."""

_EFFORTS = ("light", "medium", "strong")
_DID_NOT_TAKE_PLACE = {"planned", "cancelled"}


def care_facts(
    file: AttainmentFile, observed: Mapping[str, list[Seen]], *, zone: ZoneInfo, as_of: date
) -> CareFacts:
    """Read what is in force; of trials only those of the newest day up to ``as_of`` tell the effort."""
    trials = observed["trial-closure"]
    return CareFacts(
        visits=_visits(file.encounters, zone),
        diet={code: _levels(observed[code]) for code in ("liquid-level", "food-level")},
        pneumonia=tuple(
            Value(one.day, number, evidence=(one.reference,))
            for one in observed["pneumonia-since-last-visit"]
            if (number := one.observation.number()) is not None
        ),
        red_flags=tuple(_flags(one) for one in observed["red-flag-checklist"]),
        effort_limits=tuple(
            Noted(one.day, (one.part("effort-limit").answer,), (one.reference,))
            for one in observed["breath-hold-clearance"]
        ),
        screens=_screens(file.screens, zone),
        symptoms=tuple(_symptoms(observed["practice-day"])),
        exertions=_newest_exertion(trials, as_of),
        plans=home_plans(file.plans, zone),
        training_began=next((one.day for one in trials if _trains(one)), None),
        endings=_endings(file, observed, zone),
    )


def _visits(encounters: Iterable[Encounter], zone: ZoneInfo) -> tuple[date, ...]:
    took_place = (one for one in encounters if one.status not in _DID_NOT_TAKE_PLACE)
    return tuple(sorted({day for one in took_place if (day := day_of(one.period.start, zone))}))


def _endings(file: AttainmentFile, observed: Mapping[str, list[Seen]], zone: ZoneInfo) -> tuple[Ending, ...]:
    """What discharge visits state, and the death that the Patient tells; its day there is the better one."""
    found = [
        Ending(one.day, one.observation.answer, (one.reference,))
        for one in observed["reason-for-ending"]
        if one.observation.answer
    ]
    died = day_of(file.patient.deceased_date_time, zone)
    if died:
        found = [one for one in found if one.reason != "died"]
    elif file.patient.died and all(one.reason != "died" for one in found):
        days = [one.day for known in observed.values() for one in known]
        died = max([*days, *_visits(file.encounters, zone)], default=None)
    if died:
        found.append(Ending(died, "died"))
    return tuple(sorted(found, key=lambda one: one.day))


def _levels(observations: Iterable[Seen]) -> tuple[Value, ...]:
    """IDDSI levels."""
    said = ((one, one.observation.answer.removeprefix("iddsi-")) for one in observations)
    return tuple(
        Value(one.day, Fraction(level), evidence=(one.reference,)) for one, level in said if level.isdigit()
    )


def _flags(checklist: Seen) -> Noted:
    """Every item answered yes; one without a code of ours is only known to be another."""
    yes = [part.own or "other" for part in checklist.observation.component if part.answer == "yes"]
    return Noted(checklist.day, tuple(yes), (checklist.reference,))


def _symptoms(days: Iterable[Seen]) -> Iterable[Noted]:
    for one in days:
        if "symptom" in one.observation.parts:
            parts = (part for part in one.observation.component if part.own == "symptom")
            if words := tuple(part.value_string for part in parts if part.value_string):
                yield Noted(one.day, words, (one.reference,))


def _trains(trial: Seen) -> bool:
    return trial.part("training-block").answer not in ("", "pre")


def _newest_exertion(trials: Sequence[Seen], as_of: date) -> tuple[Exertion, ...]:
    """The effort of the newest day, over all blocks."""
    newest = next((one.day for one in reversed(trials) if one.day <= as_of), None)
    if newest is None:
        return ()
    today = [(one, one.observation.parts) for one in trials if one.day == newest]
    holds = [(hold, one) for one, parts in today if (hold := parts["hold-duration"].number("s")) is not None]
    efforts = [(parts["effort-instructed"].answer, one) for one, parts in today]
    known = [(_EFFORTS.index(effort), one) for effort, one in efforts if effort in _EFFORTS]
    longest = max(holds, key=lambda pair: pair[0], default=None)
    strongest = max(known, key=lambda pair: pair[0], default=None)
    return (
        Exertion(
            newest,
            Value(newest, longest[0], evidence=(longest[1].reference,)) if longest else None,
            Noted(newest, (_EFFORTS[strongest[0]],), (strongest[1].reference,)) if strongest else None,
        ),
    )


def home_plans(plans: Iterable[CarePlan], zone: ZoneInfo) -> tuple[Plan, ...]:
    """Home plans by start; of one day the one made last stands."""
    found: dict[date, CarePlan] = {}
    for plan in sorted(plans, key=lambda plan: plan.created):
        start = day_of(plan.period.start, zone)
        if start and any(one.own == "home-exercise-plan" for one in plan.category):
            found[start] = plan
    return tuple(_plan(start, found[start], zone) for start in sorted(found))


def _plan(start: date, plan: CarePlan, zone: ZoneInfo) -> Plan:
    """What the plan's own record says: a later plan that completes it keeps that in two extensions."""
    stated = plan.extended("plan-stated-status").value_code
    end = plan.extended("plan-stated-end").value_date if stated else plan.period.end
    review = plan.extended("plan-review").value_date
    return Plan(plan.reference, start, stated or plan.status, day_of(end, zone), day_of(review, zone))


def _screens(responses: Iterable[QuestionnaireResponse], zone: ZoneInfo) -> tuple[Noted, ...]:
    ours = (one for one in responses if one.questionnaire.split("|")[0] == SAFETY_SCREEN)
    found = [Noted(day, (), (one.reference,)) for one in ours if (day := day_of(one.authored, zone))]
    return tuple(sorted(found, key=lambda noted: noted.day))
