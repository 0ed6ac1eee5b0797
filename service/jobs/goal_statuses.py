"""What was computed of each goal at each visit, for research: made by the export, before de-identification.

What people kept of computed results (``$record-goal-attainment``) depends on who asked when; a study needs a
row for every goal and visit. So the export computes them anew, as of the day of each visit that counts, from
what may leave of the person and nothing else. They are the Observations the operation would keep, each with
its visit; ones that were kept have none, which tells them apart.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from uuid import NAMESPACE_URL, uuid5
from zoneinfo import ZoneInfo

from service.attainment.patient import attain
from service.fhir.json import Tree, dump, reread
from service.jobs.research_export import Computed
from service.jobs.research_policies import load_variant
from service.jobs.research_source import ResearchSource
from service.operations.goal_results import GoalResults
from service.records.attainment_file import AttainmentFile
from service.records.attainment_inputs import attainment_inputs
from service.records.elements import reference
from service.records.seen import day_of
from service.records.views import (
    CarePlan,
    Encounter,
    Goal,
    Observation,
    Patient,
    QuestionnaireResponse,
    views,
)
from service.settings import Settings
from service.terminology.codes import Codes, codes

__all__ = ["goal_statuses", "statuses_by_visit"]


def goal_statuses(
    stored: Sequence[Tree], *, zone: ZoneInfo, known: Codes, withheld: Iterable[str] = ()
) -> list[Tree]:
    """Observations of one person's goals as of each visit; ``stored`` is what may leave, the Patient first.

    What bears a confidentiality label of ``withheld`` counts for nothing. Nobody has a status before the goal
    was measured.
    """
    if not stored:
        return []
    kept: defaultdict[str, list[bytes]] = defaultdict(list)
    hidden = frozenset(withheld)
    for tree in stored:
        if hidden.isdisjoint(label.get("code") for label in _labels(tree)):
            kept[tree["resourceType"]].append(dump(tree))
    file = AttainmentFile(
        views(Goal, kept["Goal"]),
        views(Observation, kept["Observation"]),
        views(Encounter, kept["Encounter"]),
        views(CarePlan, kept["CarePlan"]),
        views(QuestionnaireResponse, kept["QuestionnaireResponse"]),
        next(iter(views(Patient, kept["Patient"])), Patient()),
    )
    person, labels = f"Patient/{stored[0]['id']}", _labels(stored[0])
    made: list[Tree] = []
    for visit, day in _visits(file, zone):
        answer = attain(attainment_inputs(file, zone=zone, as_of=day), day)
        found = GoalResults(person, labels, answer, known).observations()
        made += [_of_visit(one, visit) for one in found]
    return made


def statuses_by_visit(source: ResearchSource, variant: str, settings: Settings) -> Computed:
    """What a research export asks for the computed goal statuses of a person."""
    policy = load_variant(variant)
    withheld = {label["code"] for label in policy.document["withheld_labels"]}
    known = codes(settings.snomed)

    async def computed(person: str) -> list[Tree]:
        stored = [reread(text) for text in await source.of(person, policy.deidentify.types)]
        return goal_statuses(stored, zone=settings.zone, known=known, withheld=withheld)

    return computed


def _labels(tree: Tree) -> list[Tree]:
    found: list[Tree] = tree.get("meta", {}).get("security", [])
    return found


def _visits(file: AttainmentFile, zone: ZoneInfo) -> Iterator[tuple[str, date]]:
    """Reference and day of each visit that counts."""
    for visit in file.encounters:
        day = day_of(visit.period.start, zone)
        if day and visit.in_force and not visit.excluded:
            yield visit.reference, day


def _of_visit(observation: Tree, visit: str) -> Tree:
    """The Observation with the visit and an id, the same in every export; its own names fall away."""
    name = f"{observation['identifier'][0]['value']}/{visit}"
    kept = {key: value for key, value in observation.items() if key not in {"identifier", "text"}}
    return {**kept, "id": str(uuid5(NAMESPACE_URL, name)), "encounter": reference(visit)}
