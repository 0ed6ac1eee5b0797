"""From one person's stored FHIR resources to what goal attainment computes with.

Codes looked for are the project's own, which every part written from a visit record carries beside the
standard ones. What is entered in error, or belongs to an encounter entered in error, does not exist here.
"""

from collections import defaultdict
from collections.abc import Iterable
from zoneinfo import ZoneInfo

from service.attainment.airway import GROUPS, Bolus
from service.attainment.goals import Value
from service.attainment.inputs import PatientInputs
from service.records.attainment_goals import goals_on_file
from service.records.attainment_practice import practice_logs
from service.records.attainment_trials import blocks
from service.records.stored import Resource, Seen, in_force, number, reference_to, seen, value_code, whole

__all__ = ["OBSERVATIONS_READ", "ByCode", "attainment_inputs"]

ByCode = dict[str, list[Seen]]
"""Observations in force by own code, in time order."""

OBSERVATIONS_READ = (
    "trial-closure",
    "trial-self-judgement",
    "bolus-swallow",
    "oral-intake-7",
    "eat10-total",
    "practice-log",
    "practice-day",
    "goal-baseline",
    "goal-stated-status",
    "goal-scaling-level",
)
"""Own codes of the Observations that goal attainment rests on; others need not be read."""

_SCORES = {"oral-intake-7": "oral-intake-level", "eat10-total": "eat10-total"}


def attainment_inputs(resources: Iterable[Resource], *, zone: ZoneInfo) -> PatientInputs:
    """Read the Goals, Observations and Encounters of one patient; other types are passed over.

    ``zone`` is the site's: it says on which day a time lies.
    """
    resources = tuple(resources)
    void = {
        reference_to(one) for one in resources if one["resourceType"] == "Encounter" and not in_force(one)
    }
    observed = _by_code(resources, void, zone)
    goals = [one for one in resources if one["resourceType"] == "Goal" and in_force(one)]
    return PatientInputs(
        goals=goals_on_file(goals, observed),
        blocks=blocks(observed),
        boluses=_boluses(observed["bolus-swallow"]),
        scores={measure: _scores(observed[code]) for code, measure in _SCORES.items()},
        logs=practice_logs(observed, zone),
    )


def _by_code(resources: Iterable[Resource], void: set[str], zone: ZoneInfo) -> ByCode:
    known = [
        one
        for resource in resources
        if resource["resourceType"] == "Observation"
        and in_force(resource)
        and resource.get("encounter", {}).get("reference") not in void
        and (one := seen(resource, zone))
    ]
    found: ByCode = defaultdict(list)
    for one in sorted(known, key=lambda one: one.moment):
        found[one.code].append(one)
    return found


def _scores(observations: Iterable[Seen]) -> tuple[Value, ...]:
    return tuple(
        Value(one.day, value, evidence=(one.reference,))
        for one in observations
        if (value := number(one.resource)) is not None
    )


def _boluses(observations: Iterable[Seen]) -> tuple[Bolus, ...]:
    found = []
    for one in observations:
        level = value_code(one.part("bolus-consistency")).removeprefix("iddsi-")
        score = whole(one.part("airway-invasion-8pt"))
        if level.isdigit() and score in GROUPS:
            manoeuvre = value_code(one.part("manoeuvre")) not in ("", "none")
            found.append(Bolus(one.day, int(level), score, manoeuvre, (one.reference,)))
    return tuple(found)
