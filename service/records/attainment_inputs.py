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
from service.records.stored import (
    Resource,
    code_of,
    component,
    in_force,
    number,
    reference_to,
    time_of,
    value_code,
    whole,
)

__all__ = ["OBSERVATIONS_READ", "ByCode", "attainment_inputs"]

ByCode = dict[str, list[Resource]]
"""Observations in force by own code, in time order, each with a day."""

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
        goals=goals_on_file(goals, observed, zone),
        blocks=blocks(observed, zone),
        boluses=_boluses(observed["bolus-swallow"], zone),
        scores={measure: _scores(observed[code], zone) for code, measure in _SCORES.items()},
        logs=practice_logs(observed, zone),
    )


def _by_code(resources: Iterable[Resource], void: set[str], zone: ZoneInfo) -> ByCode:
    timed = [
        (time[1], one)
        for one in resources
        if one["resourceType"] == "Observation"
        and in_force(one)
        and one.get("encounter", {}).get("reference") not in void
        and (time := time_of(one, zone))
    ]
    found: ByCode = defaultdict(list)
    for _, one in sorted(timed, key=lambda pair: pair[0]):
        found[code_of(one["code"])].append(one)
    return found


def _scores(observations: Iterable[Resource], zone: ZoneInfo) -> tuple[Value, ...]:
    return tuple(
        Value(time[0], value, evidence=(reference_to(one),))
        for one in observations
        if (value := number(one)) is not None and (time := time_of(one, zone))
    )


def _boluses(observations: Iterable[Resource], zone: ZoneInfo) -> tuple[Bolus, ...]:
    found = []
    for one in observations:
        level = value_code(component(one, "bolus-consistency")).removeprefix("iddsi-")
        score, time = whole(component(one, "airway-invasion-8pt")), time_of(one, zone)
        if level.isdigit() and score in GROUPS and time:
            manoeuvre = value_code(component(one, "manoeuvre")) not in ("", "none")
            found.append(Bolus(time[0], int(level), score, manoeuvre, (reference_to(one),)))
    return tuple(found)
