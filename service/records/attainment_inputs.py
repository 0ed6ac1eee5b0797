"""From one person's stored FHIR resources to what goal attainment computes with.

Codes looked for are the project's own, which every part written from a visit record carries beside the
standard ones. What is entered in error, or belongs to an encounter entered in error, does not exist here.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date
from zoneinfo import ZoneInfo

from service.attainment.goals import Value
from service.attainment.inputs import ExcludedVisit, PatientInputs
from service.records.attainment_care import CARE_CODES, care_facts
from service.records.attainment_file import AttainmentFile
from service.records.attainment_goals import goals_on_file
from service.records.attainment_practice import practice_logs
from service.records.attainment_studies import studies
from service.records.attainment_trials import blocks
from service.records.seen import Seen, day_of, seen
from service.records.views import Encounter

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
    "body-weight",
    *CARE_CODES,
)
"""Own codes of the Observations that goal attainment rests on; others need not be read."""

_SCORES = {
    "oral-intake-level": ("oral-intake-7", ""),
    "eat10-total": ("eat10-total", ""),
    "body-weight": ("body-weight", "kg"),
}
"""Own code and unit (any if empty) of each measure that is recorded as such."""

_STAYS = {"goal-stated-status", *CARE_CODES}
"""What people stated, and what is about safety: no values that leaving a visit out takes away."""

_WARNS = frozenset({"red-flag-checklist"})
"""What counts of a visit that is not signed, and of what is not final: a warning, but nothing that anybody
has to answer for."""


def attainment_inputs(stored: AttainmentFile, *, zone: ZoneInfo, as_of: date) -> PatientInputs:
    """Make the inputs of one patient for a date. ``zone`` is the site's: it says on which day a time lies."""
    file = stored.in_force()
    excluded = {one.reference: one for one in file.encounters if one.excluded}
    known = [one for observation in file.observations if (one := seen(observation, zone))]
    left_out = [one for one in known if _left_out(one, excluded)]
    observed = _by_code([one for one in known if not _left_out(one, excluded)] if left_out else known)
    return PatientInputs(
        goals=goals_on_file(file.goals, observed),
        blocks=blocks(observed),
        studies=studies(observed["bolus-swallow"]),
        scores={measure: _scores(observed[code], unit) for measure, (code, unit) in _SCORES.items()},
        logs=practice_logs(observed, zone),
        care=care_facts(file, observed, zone=zone, as_of=as_of),
        excluded=_excluded(excluded.values(), left_out, zone),
    )


def _left_out(one: Seen, excluded: Mapping[str, Encounter]) -> bool:
    """Whether a value does not count: its visit is left out, or it is not final; such are not sent either."""
    if one.observation.preliminary:
        return one.code not in _WARNS
    visit = excluded.get(one.observation.encounter.reference)
    return visit is not None and one.code not in (_WARNS if visit.awaits else _STAYS)


def _excluded(
    visits: Iterable[Encounter], left_out: Iterable[Seen], zone: ZoneInfo
) -> tuple[ExcludedVisit, ...]:
    values: dict[str, list[str]] = defaultdict(list)
    for one in left_out:
        values[one.observation.encounter.reference].append(one.reference)
    found = [
        ExcludedVisit(visit.reference, day, visit.exclusion, tuple(values[visit.reference]))
        for visit in visits
        if (day := day_of(visit.period.start, zone))
    ]
    return tuple(sorted(found, key=lambda visit: (visit.day, visit.reference)))


def _by_code(known: Iterable[Seen]) -> ByCode:
    found: ByCode = defaultdict(list)
    for one in sorted(known, key=lambda one: one.moment):
        found[one.code].append(one)
    return found


def _scores(observations: Iterable[Seen], unit: str) -> tuple[Value, ...]:
    return tuple(
        Value(one.day, value, evidence=(one.reference,))
        for one in observations
        if (value := one.observation.number(unit)) is not None
    )
