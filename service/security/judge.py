"""Whether a caller reaches one version: what ``reach.py`` says of searches, said of what was read."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Protocol
from zoneinfo import ZoneInfo

from service.fhir.confidentiality import CONFIDENTIALITY, labels_of
from service.fhir.json import Tree, reread
from service.fhir.references import local_target
from service.fhir.search_keys import extract
from service.fhir.search_parameters import is_owned
from service.fhir.search_query import Clause, Condition, OfPatient, TokenValue
from service.fhir.search_values import SearchKeys
from service.fhir.withholding import FROM_RESEARCH, FROM_USE, WITHHOLDS
from service.security.care import active_roles, active_teams
from service.security.consent import Requester, denies, read_consent
from service.security.consent_rules import Rules
from service.security.ownership import ownership
from service.security.reach import READING, Reach, Way, Whose
from service.security.remembered import Remembered, Withheld
from service.security.withheld import kept_from
from service.store.contract import Page, Query, Version
from service.store.pages import every

__all__ = ["Here", "Judge", "Source"]

_CONSENT = "Consent"
"""Consents do not withhold themselves: who keeps them must be able to take them back."""
_FROM_USE = Clause((WITHHOLDS,), "token", (TokenValue(None, FROM_USE),), wide=True)
_FROM_ALL = Clause(
    (WITHHOLDS,), "token", (TokenValue(None, FROM_USE), TokenValue(None, FROM_RESEARCH)), wide=True
)


class Source(Protocol):
    """A store, or a transaction of it."""

    async def read(self, type_: str, id_: str) -> Version | None:
        """Answer the newest version."""
        ...

    async def search(self, query: Query) -> Page:
        """Answer one page."""
        ...


class Here(Protocol):
    """Where resources are judged: the site's zone, the own base URL, and who answers the present moment."""

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        ...

    @property
    def base(self) -> str:
        """The FHIR base URL as the outside sees it."""
        ...

    @property
    def now(self) -> Callable[[], datetime]:
        """Answers the present, with a zone."""
        ...


@dataclass(slots=True)
class Judge:
    """Judges for one caller, asking ``source`` (never confined itself) about care and Consents.

    ``remembered`` is what may be believed without asking; ``learns``: what is found may be remembered.
    """

    reach: Reach
    source: Source
    here: Here
    remembered: Remembered
    learns: bool = True
    _cared: frozenset[tuple[str, str]] = frozenset()
    _withheld: Withheld | None = None
    _asker: Requester | None = None

    async def sees(self, version: Version, actions: str = READING) -> bool:
        """Whether a current version is within reach for any of ``actions``."""
        return await self._sees(version, version.patient, actions, restricted=version.restricted)

    async def saw(self, version: Version) -> bool:
        """Whether a version, which may be an old one, is within reach for reading."""
        open_ = any(way.open for way in self.reach.ways(READING, version.type))
        if open_ and (self.reach.asks is None or not await self.withheld()):
            return not self._hidden(version)
        keys = self._keys(reread(version.content))
        patient = await self.whose(version.type, keys)
        return await self._sees(version, patient, READING, restricted=True)

    async def opens(self, ways: Iterable[Way], type_: str, patient: str, content: bytes) -> bool:
        """Whether one of the ways leads to a resource about ``patient`` (empty: none or several)."""
        for way in ways:
            if way.open:
                return True
            theirs = way.whose.everybody or await self._theirs(way.whose, type_, patient, content)
            if theirs and self.hold(way, content):
                return True
        return False

    def hold(self, way: Way, content: bytes) -> bool:
        """Whether what a way asks of a resource holds of this one."""
        if not way.clauses:
            return True
        keys = self._keys(reread(content))
        return all(_holds(clause, keys) for clause in way.clauses)

    async def in_care(self, whose: Whose, patients: Sequence[str]) -> set[str]:
        """Answer which of the patients are among those."""
        if whose.patient or not whose.ends:
            return {whose.patient}.intersection(patients) - {""}
        known = {one for one in patients if self._knows(whose, one)}
        if unknown := sorted({*patients} - known - {""}):
            turn = self.remembered.turn
            named = Clause(("Resource._id",), "id", tuple(unknown))
            query = Query("Patient", (named, OfPatient(whose.ends)), count=len(unknown), total="none")
            found = {one.id for one in (await self.source.search(query)).versions}
            self._cared |= {(whose.name, one) for one in found}
            if self.learns:
                self.remembered.learn(whose.name, found, turn)
            known |= found
        return known

    async def whose(self, type_: str, keys: SearchKeys) -> str:
        """The one patient whom a resource found by these keys is about, empty for none and for several."""
        if type_ != "Provenance":
            return keys.patient
        patients: set[str] = set()
        for target in (key.target for key in keys.references if key.name == "Provenance.target"):
            kind, _, id_ = target.partition("/")
            if is_owned(kind):
                found = await self.source.read(kind, id_)
                patients.add(id_ if kind == "Patient" else found.patient if found else "")
        return patients.pop() if len(patients) == 1 else ""

    def _keys(self, tree: Tree) -> SearchKeys:
        """What a resource is found by."""
        return extract(tree, zone=self.here.zone, base=self.here.base)

    async def kept_from(self, types: Sequence[str]) -> list[Condition]:
        """Conditions that leave out what Consents keep from the caller."""
        asked = [type_ for type_ in types if type_ != _CONSENT]
        if self.reach.asks is None or not asked or not (withheld := await self.withheld()):
            return []
        return kept_from(await self._who_asks(READING), withheld, asked, self.here.now())

    async def withheld(self) -> Withheld:
        """The Consents that bear on this caller."""
        if self._withheld is None:
            remembered = (
                self.remembered.withheld(self._load, research=self.reach.for_research)
                if self.learns
                else None
            )
            self._withheld = await (remembered or self._load())
        return self._withheld

    async def _sees(self, version: Version, patient: str, actions: str, *, restricted: bool) -> bool:
        if self._hidden(version):
            return False
        ways = self.reach.ways(actions, version.type)
        if not await self.opens(ways, version.type, patient, version.content):
            return False
        asked = restricted or self.reach.for_research
        return not asked or not await self._refused(version, patient, actions)

    async def _theirs(self, whose: Whose, type_: str, patient: str, content: bytes) -> bool:
        """Whether a resource belongs to one of these patients, or to none and is shared."""
        match ownership(type_):
            case "owned":
                return self._knows(whose, patient) or bool(await self.in_care(whose, [patient]))
            case "shared":
                return True
            case "unnamed":
                keys = self._keys(reread(content))
                return not any(key.name == "Device.patient" for key in keys.references)
            case "context":
                return await self._by_context(content)
        return False

    async def _by_context(self, content: bytes) -> bool:
        named = reread(content).get("securityContext", {}).get("reference", "")
        type_, _, id_ = local_target(named, self.here.base).partition("/")
        found = await self.source.read(type_, id_) if id_ and type_ != "Binary" else None
        return found is not None and not found.deleted and await self.sees(found)

    def _hidden(self, version: Version) -> bool:
        """Whether it bears a confidentiality code that is hidden from the caller."""
        hidden = self.reach.hidden
        if not version.labelled or not hidden:
            return False
        return any(
            system == CONFIDENTIALITY and code in hidden for system, code in labels_of(version.content)
        )

    async def _refused(self, version: Version, patient: str, actions: str) -> bool:
        if self.reach.asks is None or version.type == _CONSENT:
            return False
        if not (rules := (await self.withheld()).get(patient)):
            return False
        return denies(
            rules, await self._who_asks(actions), version.type, labels_of(version.content), self.here.now()
        )

    async def _who_asks(self, actions: str) -> Requester:
        """The caller and everybody they act as."""
        asks = self._asker
        if asks is None:
            assert self.reach.asks is not None  # noqa: S101 - who is not asked about is not looked up
            asks = self._asker = replace(self.reach.asks, actors=await self._acting(self.reach.asks.actors))
        return asks if actions == READING else replace(asks, action="correct")

    async def _acting(self, actors: frozenset[str]) -> frozenset[str]:
        """Those actors, their active roles, the organizations of these, and their teams."""
        found = set(actors)
        for person in actors:
            for query in (active_roles(person), active_teams(person)):
                async for version in every(self.source, query):
                    found.add(f"{version.type}/{version.id}")
                    keys = self._keys(reread(version.content))
                    found |= {key.target for key in keys.references if key.name == _EMPLOYER}
        return frozenset(found)

    async def _load(self) -> Withheld:
        found: dict[str, tuple[Rules, ...]] = {}
        clause = _FROM_ALL if self.reach.for_research else _FROM_USE
        async for version in every(self.source, Query("Consent", (clause,), count=2_000, total="none")):
            rules = read_consent(reread(version.content), self.here.zone)
            if rules.withhold and version.patient:
                found[version.patient] = (*found.get(version.patient, ()), rules)
        return found

    def _knows(self, whose: Whose, patient: str) -> bool:
        if whose.patient:
            return whose.patient == patient
        return (whose.name, patient) in self._cared or self.remembered.cares(whose.name, patient)


_EMPLOYER = "PractitionerRole.organization"


def _holds(clause: Clause, keys: SearchKeys) -> bool:
    """Whether a key is one of the tokens asked for."""
    wanted = [value for value in clause.values if isinstance(value, TokenValue)]
    return any(
        key.name in clause.indexes
        and any(value.system in {None, key.system} and value.code in {None, key.code} for value in wanted)
        for key in keys.tokens
    )
