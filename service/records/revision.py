"""A record's Bundle compared with what is on file: statuses settled, removed parts marked as errors.

Pure: what comes out is again a transaction Bundle, with entries added for resources of other records whose
status follows (a replaced plan, a reviewed goal) and for parts this record no longer has.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from service.errors import Issue, RuleViolation
from service.records.amendment import (
    changed,
    is_added,
    unsigned_changes,
    waiting,
    with_earlier,
    with_signature_of,
)
from service.records.elements import Element
from service.records.identity import Names, full_url
from service.records.narrative import narrative
from service.records.on_file import OnFile
from service.records.parts import HAS_NO_STATUS, identifiers, in_error, is_own, target
from service.records.preliminary import amending, signature_status
from service.records.settle import (
    Statement,
    is_discharge,
    settled_episode,
    settled_goal,
    settled_plans,
    statement,
    with_status,
)
from service.records.settle_flags import settled_flag, statement_times
from service.records.signature import AMENDED, FINAL
from service.records.standing import overruled, part_notes, with_decisions
from service.records.stored import Resource, reference_to

__all__ = ["resolved", "revise"]

_REMOVED = "entered-in-error"


def revise(  # noqa: PLR0913 - the record, and all it is compared with
    bundle: Element,
    file: OnFile,
    own: Sequence[Resource],
    names: Names,
    zone: ZoneInfo,
    *,
    never_signed: Collection[str],
    people: Mapping[str, str] | None = None,
) -> tuple[Element, tuple[Issue, ...]]:
    """The transaction to carry out, and what is to be told of decisions that stand over the record.

    ``file`` is what is on file and signed; ``own`` are the stored parts of the record behind ``names``, those
    in error and preliminary ones included, ``never_signed`` the references of those that wait and never were;
    ``people`` the references of those on file whom the record names, by fullUrl, None for a record on file
    that is signed here and now. A preliminary record changes nothing of other records.

    RuleViolation if a signed record is changed by other than an amendment, or one with its former signature.
    """
    revision = _Revision(bundle, file, own, names, zone, people=people)
    notes = revision.decisions()
    if not revision.is_draft:
        revision.new_parts(never_signed)
        revision.goals()
        revision.plans()
        revision.episodes()
        revision.flags()
        revision.signature()
    revision.removals()
    return {**bundle, "entry": [*revision.authored.values(), *revision.added]}, tuple(notes)


def resolved(bundle: Element, own: Sequence[Resource]) -> Element:
    """The same transaction by id: stored parts are updated, the others created; nothing need be looked up.

    ``own`` are all stored parts of the record, read in the transaction that carries this out.
    """
    names = {full_url(*one): reference_to(part) for part in own for one in identifiers(part)}
    return {**bundle, "entry": [_by_id(entry, names) for entry in bundle["entry"]]}


def _by_id(entry: Element, names: Mapping[str, str]) -> Element:
    request = entry["request"]
    if "ifNoneExist" in request or request["method"] == "DELETE":
        return entry
    if "/" in request["url"].partition("?")[0]:
        return entry
    name = names.get(entry["fullUrl"])
    type_ = entry["resource"]["resourceType"]
    if name is None:
        return {**entry, "request": {"method": "POST", "url": type_}}
    resource = {**entry["resource"], "id": name.removeprefix(f"{type_}/")}
    return {**entry, "resource": resource, "request": {"method": "PUT", "url": name}}


@dataclass(frozen=True, slots=True)
class _Pair:
    """A resource, and the reference it is known by in the file (its fullUrl while it is not stored)."""

    name: str
    resource: Resource


class _Revision:
    """The entries of one record's Bundle while they are settled."""

    def __init__(  # noqa: PLR0913 - as ``revise``
        self,
        bundle: Element,
        file: OnFile,
        own: Sequence[Resource],
        names: Names,
        zone: ZoneInfo,
        *,
        people: Mapping[str, str] | None = None,
    ) -> None:
        """See ``revise``."""
        self.authored: dict[str, Element] = {entry["fullUrl"]: entry for entry in bundle["entry"]}
        self.added: list[Element] = []
        self._file = file
        self._names = names
        self._zone = zone
        self._people = people
        self._own = {full_url(*one): resource for resource in own for one in identifiers(resource)}

    def decisions(self) -> list[Issue]:
        """What people decided about parts of the record and its goals stays; answers what is to be told."""
        parts = {url: one for url, one in self._own.items() if url in self.authored and not in_error(one)}
        for url, stored in parts.items():
            entry = self.authored[url]
            self.authored[url] = {**entry, "resource": with_decisions(entry["resource"], stored)}
        written = self._statements(self._written("Observation"))
        on_file = self._statements(self._others("Observation"))
        return [*part_notes(parts.values(), self._names), *overruled(written, on_file)]

    @property
    def is_draft(self) -> bool:
        """Whether the record waits for its first signature."""
        visits = [one.resource for one in self._written("Encounter")]
        return any(signature_status(one) == "preliminary" and not amending(one) for one in visits)

    def new_parts(self, never_signed: Collection[str]) -> None:
        """What an amendment adds was not there before: it is final, not amended."""
        for url, entry in self.authored.items():
            resource = entry["resource"]
            if resource.get("status") != AMENDED or resource["resourceType"] not in FINAL:
                continue
            if is_added(self._own.get(url), never_signed):
                self._say(url, {**resource, "status": FINAL[resource["resourceType"]]})

    def signature(self) -> None:
        """What changes a signed record bears a newer signature, or waits for one and changes nothing else."""
        for visit in self._written("Encounter"):
            url = self._url(visit)
            stored = self._own.get(url)
            if stored is None or in_error(stored):
                continue
            authored = {one: entry["resource"] for one, entry in self.authored.items()}
            own = {one: part for one, part in authored.items() if is_own(part, self._names)}
            differs = changed(own, self._own, self._people or {})
            open_ = bool(differs) or amending(stored)
            parts = [own.get(one) or self._own[one] for one in differs]
            sent = self._people is not None
            if sent and open_ and (wrong := [*unsigned_changes(visit.resource, stored, parts)]):
                raise RuleViolation(wrong)
            if amending(visit.resource):
                self.added.clear()
                for one in differs & own.keys():
                    self._say(one, waiting(own[one], self._own.get(one)))
            signed = with_earlier if open_ or not amending(visit.resource) else with_signature_of
            self._say(url, signed(visit.resource, stored))

    def _say(self, url: str, resource: Resource) -> None:
        self.authored[url] = {**self.authored[url], "resource": resource}

    def goals(self) -> None:
        """Every goal shows the newest of what was stated about it."""
        before = self._statements(self._stored("Observation"))
        after = self._statements([*self._others("Observation"), *self._written("Observation")])
        for goal in self._written("Goal"):
            self._replace(
                goal,
                settled_goal(
                    goal.resource,
                    _about(goal.name, after),
                    stored=self._own.get(self._url(goal)),
                    before=_about(goal.name, before),
                ),
            )
        for goal in self._others("Goal"):
            earlier = _about(goal.name, before)
            settled = settled_goal(
                goal.resource, _about(goal.name, after), stored=goal.resource, before=earlier
            )
            self._replace(goal, settled)

    def plans(self) -> None:
        """A plan that a later one replaces is completed, its lines with it."""
        pairs = [*self._others("CarePlan"), *self._written("CarePlan")]
        settled = settled_plans([(one.name, one.resource) for one in pairs], self._zone)
        lines = {one.name: one for one in [*self._others("ServiceRequest"), *self._written("ServiceRequest")]}
        for plan in (plan for plan in pairs if plan.name in settled):
            self._replace(plan, settled[plan.name])
            for activity in plan.resource.get("activity", []):
                line = lines.get(self._known(target(activity.get("reference"))))
                if line:
                    self._replace(line, with_status(line.resource, settled[plan.name]))

    def episodes(self) -> None:
        """A discharge visit finishes its episode of care."""
        visits = [*self._others("Encounter"), *self._written("Encounter")]
        once = [one for one in self._stored("Encounter") if is_own(one.resource, self._names)]
        for episode in [*self._others("EpisodeOfCare"), *self._written("EpisodeOfCare")]:
            ends = [one.resource for one in visits if self._ends(one.resource, episode)]
            ended = [one.resource for one in once if self._ends(one.resource, episode)]
            if ends or ended or self._is_written(episode):
                self._replace(episode, settled_episode(episode.resource, ends))

    def flags(self) -> None:
        """A newer checklist or clearance ends the flags of the one before."""
        before = [one.resource for one in self._stored("Observation")]
        after = [one.resource for one in [*self._others("Observation"), *self._written("Observation")]]
        for flag in [*self._others("Flag"), *self._written("Flag")]:
            times = statement_times(flag.resource, after)
            stored = self._own.get(self._url(flag)) if self._is_written(flag) else flag.resource
            earlier = statement_times(flag.resource, before)
            if times:
                known = None if stored is None or in_error(stored) else stored
                settled = settled_flag(flag.resource, times, self._zone, stored=known, before=earlier)
                self._replace(flag, settled)

    def removals(self) -> None:
        """Parts this record had and has no longer: entered in error, or deleted where that can't be said."""
        for url, resource in self._own.items():
            if url in self.authored or in_error(resource):
                continue
            name = reference_to(resource)
            if resource["resourceType"] in HAS_NO_STATUS:
                self.added.append({"fullUrl": url, "request": {"method": "DELETE", "url": name}})
            else:
                self._add(url, name, _as_error(resource))

    def _ends(self, encounter: Resource, episode: _Pair) -> bool:
        return any(is_discharge(encounter, name) for name in (episode.name, self._url(episode)))

    def _known(self, name: str) -> str:
        """The stored reference behind a fullUrl of this Bundle, if it is stored."""
        return reference_to(self._own[name]) if name in self._own else name

    def _url(self, pair: _Pair) -> str:
        return next((full_url(*one) for one in identifiers(pair.resource)), "")

    def _is_written(self, pair: _Pair) -> bool:
        """Whether it is a part of this Bundle, not of another record."""
        return self._url(pair) in self.authored

    def _stored(self, type_: str) -> list[_Pair]:
        return [
            _Pair(reference_to(one), one) for one in self._file.resources.get(type_, ()) if not in_error(one)
        ]

    def _others(self, type_: str) -> list[_Pair]:
        """Stored resources of other records, in the state this revision leaves them."""
        return [one for one in self._stored(type_) if not is_own(one.resource, self._names)]

    def _written(self, type_: str) -> list[_Pair]:
        """Parts of this Bundle."""
        return [
            _Pair(self._known(url), entry["resource"])
            for url, entry in self.authored.items()
            if entry["resource"]["resourceType"] == type_
        ]

    def _statements(self, pairs: Iterable[_Pair]) -> list[Statement]:
        found = [
            statement(one.resource, self._known(target(focus)), self._zone)
            for one in pairs
            for focus in one.resource.get("focus", [])[:1]
        ]
        return [one for one in found if one]

    def _replace(self, pair: _Pair, resource: Resource) -> None:
        url = self._url(pair)
        if self._is_written(pair):
            self.authored[url] = {**self.authored[url], "resource": resource}
        elif resource != pair.resource:
            self._add(url, pair.name, resource)

    def _add(self, url: str, name: str, resource: Resource) -> None:
        request = {"method": "PUT", "url": name}
        self.added.append({"fullUrl": url, "resource": resource, "request": request})


def _about(name: str, statements: Iterable[Statement]) -> list[Statement]:
    return [one for one in statements if one.goal == name]


def _as_error(resource: Resource) -> Resource:
    text = narrative("Entered in error: no longer part of its visit record")
    marked = {**resource, "text": text}
    if resource["resourceType"] == "Goal":
        return {**marked, "lifecycleStatus": _REMOVED}
    if resource["resourceType"] == "Condition":
        system = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
        coding = {"system": system, "code": _REMOVED, "display": "Entered in Error"}
        # con-5: a condition entered in error has no clinical status.
        rest = {name: value for name, value in marked.items() if name != "clinicalStatus"}
        return {**rest, "verificationStatus": {"coding": [coding]}}
    return {**marked, "status": _REMOVED}
