"""The row of one person in the list: made from the computed answer, kept as JSON, shown as it was kept."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

import msgspec

from service import __version__
from service.attainment.answers import GoalAnswer, PatientAnswer
from service.attainment.cues import CueLimits
from service.attainment.status import ENGINE_VERSION
from service.errors import Gone
from service.fhir.json import reread
from service.fhir.search_values import fold
from service.operations.goal_attainment import compute
from service.page import facts
from service.page.panel_reading import Unlabelled
from service.records.seen import day_of
from service.records.stored import Resource
from service.records.views import Element, Encounter, Period, Reference, views
from service.store.contract import Store, Version
from service.store.pages import about, every
from service.store.summaries import Summary

__all__ = ["GRAVEST", "PanelCue", "PanelRow", "RowMaker", "unmade"]

GRAVEST = (
    "worsening",
    "not-achieved",
    "no-progress",
    "no-change",
    "",
    "in-progress",
    "improving",
    "achieved",
    "sustaining",
)
"""Computed statuses (none: not measured yet) in the order in which somebody may want to look at them first;
an order of the list, not of patients, and no author's scale."""
_FAILED = "Where the goals stand could not be computed; open the record."
_WITHHELD = "A Consent may withhold something from some who see this list; open the record."
_FORMAT = 3
"""Raised when rows are made or written in another way."""
_CLOSED = {"completed", "cancelled", "rejected", "entered-in-error"}


class PanelCue(msgspec.Struct, frozen=True):
    """An attention cue and its reason."""

    code: str
    reason: str


class PanelRow(msgspec.Struct, frozen=True, omit_defaults=True):
    """What the list shows of a person as of ``day``.

    ``statuses`` counts the open goals by computed status, worsening first; ``stated_otherwise`` those of
    which the record states another. ``next_review``: nobody was seen on or after it yet. ``standing`` is
    empty, "died" or "record not active". ``left_out``: there is more, which a label restricts. ``problem``
    says why nothing could be computed.
    """

    name: str
    day: date | None = None
    born: str = ""
    age: int | None = None
    invented: bool = False
    standing: str = ""
    last_visit: date | None = None
    next_review: date | None = None
    review_overdue: bool = False
    statuses: tuple[tuple[str, int], ...] = ()
    stated_otherwise: int = 0
    cues: tuple[PanelCue, ...] = ()
    left_out: bool = False
    problem: str = ""

    def kinds_of_cues(self) -> list[tuple[str, int]]:
        """The first reason of each kind of cue, so that none hides another, and how many more it has."""
        counts = Counter(cue.code for cue in self.cues)
        first = {cue.code: cue.reason for cue in reversed(self.cues)}
        return [(first[code], number - 1) for code, number in counts.items()]


class _Member(Element, frozen=True):
    member: Reference = Reference()
    period: Period = Period()


class _CareTeam(Element, frozen=True):
    status: str = ""
    period: Period = Period()
    participant: tuple[_Member, ...] = ()


@dataclass(frozen=True, slots=True)
class RowMaker:
    """Makes rows; ``zone`` is the site's, ``limits`` say when a cue is given (None: the usual ones).

    The numbers are those of ``$goal-attainment``.
    """

    zone: ZoneInfo
    limits: CueLimits | None = None

    @property
    def basis(self) -> str:
        """The rules a row rests on."""
        return f"{__version__} {_FORMAT} {ENGINE_VERSION} {self.zone.key} {self.limits or 'usual limits'}"

    async def __call__(self, store: Store, patient: str, day: date) -> Summary:
        """See ``jobs/summaries.py``."""
        stored = await _stored(store, patient)
        if stored.restricted:
            return await self._told(store, stored, day, _WITHHELD)
        reading = Unlabelled(store)
        answer = await compute(reading, patient, day, zone=self.zone, limits=self.limits)
        encounters, teams = await _beside(reading, patient)
        row = _row(reread(stored.content), answer, facts.last_visit(encounters, day, self.zone))
        row = msgspec.structs.replace(row, left_out=reading.left_out)
        return self._filed(patient, row, self._members(teams, day))

    async def failed(self, store: Store, patient: str, day: date) -> Summary:
        """See ``jobs/summaries.py``; it stays on the lists it belongs to."""
        return await self._told(store, await _stored(store, patient), day, _FAILED)

    async def _told(self, store: Store, stored: Version, day: date, text: str) -> Summary:
        """The row of somebody of whom nothing is computed, and why."""
        _, teams = await _beside(store, stored.id)
        row = msgspec.structs.replace(unmade(reread(stored.content)), day=day, problem=text)
        return self._filed(stored.id, row, self._members(teams, day))

    def _filed(self, patient: str, row: PanelRow, members: Iterable[str]) -> Summary:
        grave = next((code for code, _ in row.statuses), None)
        return Summary(
            patient=patient,
            day=str(row.day),
            basis=self.basis,
            content=msgspec.json.encode(row).decode(),
            name=fold(row.name),
            last_visit=row.last_visit.isoformat() if row.last_visit else None,
            next_review=row.next_review.isoformat() if row.next_review else None,
            concern=0 if grave is None else len(GRAVEST) - GRAVEST.index(grave),
            cues=len(row.cues),
            tags=_tags(row, members),
        )

    def _members(self, teams: Iterable[_CareTeam], day: date) -> set[str]:
        """Who is in a care team that is active on this day."""
        return {
            one.member.target or one.member.reference
            for team in teams
            if team.status == "active" and not self._over(team.period, day)
            for one in team.participant
            if not self._over(one.period, day)
        }

    def _over(self, period: Period, day: date) -> bool:
        end = day_of(period.end, self.zone)
        return end is not None and end < day


async def _stored(store: Store, patient: str) -> Version:
    stored = await store.read("Patient", patient)
    if stored is None or stored.deleted:
        raise Gone(f"Patient/{patient} was deleted.")
    return stored


async def _beside(store: Store, patient: str) -> tuple[list[Encounter], list[_CareTeam]]:
    """What the row tells and no number rests on."""
    texts: dict[str, list[bytes]] = defaultdict(list)
    async for version in every(store, about("Encounter", patient, also=("CareTeam",))):
        texts[version.type].append(version.content)
    return views(Encounter, texts["Encounter"]), views(_CareTeam, texts["CareTeam"])


def unmade(patient: Resource) -> PanelRow:
    """What can be shown of a person whose row was not made yet."""
    return PanelRow(
        _name(patient),
        born=facts.born(patient),
        invented=facts.invented(patient),
        standing=_standing(patient),
    )


def _row(patient: Resource, answer: PatientAnswer, last_visit: date | None) -> PanelRow:
    open_goals = [goal for goal in answer.goals if goal.stated.lifecycle not in _CLOSED]
    counts = Counter(goal.status.code or "" for goal in open_goals)
    review = answer.review
    return PanelRow(
        name=_name(patient),
        day=answer.as_of,
        born=facts.born(patient),
        age=facts.age(patient, answer.as_of),
        invented=facts.invented(patient),
        standing=_standing(patient),
        last_visit=last_visit,
        next_review=review.day if review and not review.held else None,
        review_overdue=review is not None and review.overdue,
        statuses=tuple((code, counts[code]) for code in sorted(counts, key=GRAVEST.index)),
        stated_otherwise=sum(map(_stated_otherwise, open_goals)),
        cues=tuple(PanelCue(cue.code, cue.sentence) for cue in answer.cues),
    )


def _name(patient: Resource) -> str:
    """As lists have it: the family name first."""
    names = patient.get("name") or [{}]
    best = next((one for one in names if one.get("use") in ("usual", "official")), names[0])
    given = " ".join(part for part in best.get("given", ()) if part)  # a part may be an extension alone
    if not best.get("family"):
        return facts.name(patient)
    return f"{best['family']}, {given}" if given else str(best["family"])


def _stated_otherwise(goal: GoalAnswer) -> bool:
    stated = goal.stated.achievement
    return bool(stated) and stated != goal.status.code


def _standing(patient: Resource) -> str:
    if patient.get("deceasedDateTime") or patient.get("deceasedBoolean"):
        return "died"
    return "" if patient.get("active", True) else "record not active"


def _tags(row: PanelRow, members: Iterable[str]) -> frozenset[str]:
    """Words the list is narrowed by."""
    tags = {f"status={code or 'none'}" for code, _ in row.statuses}
    tags |= {f"cue={cue.code}" for cue in row.cues} | ({"cue=any"} if row.cues else set())
    tags |= {f"team={member}" for member in members if member}
    return frozenset(tags | ({"review=overdue"} if row.review_overdue else set()))
