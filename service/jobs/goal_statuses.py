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

import msgspec

from service.attainment.patient import attain
from service.fhir.json import Tree
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
from service.terminology.codes import Codes

__all__ = ["goal_statuses"]


class _Label(msgspec.Struct, frozen=True):
    system: str = ""
    code: str = ""
    display: str | msgspec.UnsetType = msgspec.UNSET


class _Meta(msgspec.Struct, frozen=True):
    security: list[_Label] = []


class _Any(msgspec.Struct, frozen=True, rename="camel"):
    resource_type: str
    id: str = ""
    meta: _Meta = _Meta()


_READER = msgspec.json.Decoder(_Any)


def goal_statuses(
    texts: Sequence[bytes], *, zone: ZoneInfo, codes: Codes, withheld: Iterable[str] = ()
) -> list[Tree]:
    """Observations of one person's goals as of each visit; ``texts`` are what may leave, the Patient first.

    What bears a confidentiality label of ``withheld`` counts for nothing. Nobody has a status before the goal
    was measured.
    """
    kept: defaultdict[str, list[bytes]] = defaultdict(list)
    heads = [_READER.decode(text) for text in texts]
    hidden = frozenset(withheld)
    for head, text in zip(heads, texts, strict=True):
        if hidden.isdisjoint(label.code for label in head.meta.security):
            kept[head.resource_type].append(text)
    file = AttainmentFile(
        views(Goal, kept["Goal"]),
        views(Observation, kept["Observation"]),
        views(Encounter, kept["Encounter"]),
        views(CarePlan, kept["CarePlan"]),
        views(QuestionnaireResponse, kept["QuestionnaireResponse"]),
        next(iter(views(Patient, kept["Patient"])), Patient()),
    )
    person = f"Patient/{heads[0].id}"
    labels = msgspec.to_builtins(heads[0].meta.security)
    made: list[Tree] = []
    for visit, day in _visits(file, zone):
        answer = attain(attainment_inputs(file, zone=zone, as_of=day), day)
        found = GoalResults(person, labels, answer, codes).observations()
        made += [_of_visit(one, visit) for one in found]
    return made


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
