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
from service.records.seen import Seen, seen
from service.records.views import Encounter, Goal, Observation

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


def attainment_inputs(
    goals: Iterable[Goal],
    observations: Iterable[Observation],
    encounters: Iterable[Encounter],
    *,
    zone: ZoneInfo,
) -> PatientInputs:
    """Make the inputs of one patient. ``zone`` is the site's: it says on which day a time lies."""
    void = {one.reference for one in encounters if not one.in_force}
    observed = _by_code((one for one in observations if one.encounter.reference not in void), zone)
    return PatientInputs(
        goals=goals_on_file((goal for goal in goals if goal.in_force), observed),
        blocks=blocks(observed),
        boluses=_boluses(observed["bolus-swallow"]),
        scores={measure: _scores(observed[code]) for code, measure in _SCORES.items()},
        logs=practice_logs(observed, zone),
    )


def _by_code(observations: Iterable[Observation], zone: ZoneInfo) -> ByCode:
    known = [one for observed in observations if observed.in_force and (one := seen(observed, zone))]
    found: ByCode = defaultdict(list)
    for one in sorted(known, key=lambda one: one.moment):
        found[one.code].append(one)
    return found


def _scores(observations: Iterable[Seen]) -> tuple[Value, ...]:
    return tuple(
        Value(one.day, value, evidence=(one.reference,))
        for one in observations
        if (value := one.observation.number()) is not None
    )


def _boluses(observations: Iterable[Seen]) -> tuple[Bolus, ...]:
    found = []
    for one in observations:
        level = one.part("bolus-consistency").answer.removeprefix("iddsi-")
        score = one.part("airway-invasion-8pt").whole
        if level.isdigit() and score in GROUPS:
            manoeuvre = one.part("manoeuvre").answer not in ("", "none")
            found.append(Bolus(one.day, int(level), score, manoeuvre, (one.reference,)))
    return tuple(found)
