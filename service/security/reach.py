"""How far a caller reaches: which resources a token opens, as data that ``confined_store.py`` keeps to.

A grant opens resources of some patients (``system/`` everybody's, ``user/`` those in the person's care,
``patient/`` those of the patient the token names) for which its query part holds. What a grant says of
reading holds for searching and the other way round; which of the two a caller may do is asked by type before
anything is read. Where the caller holds no grant for an action on a type, nothing of it was asked for in
their name: what comes here then is the service's own work for a plain scope (an intake, a decision), which
keeps to the same patients.
"""

from dataclasses import dataclass, field, replace
from functools import cached_property
from zoneinfo import ZoneInfo

from service.fhir.confidentiality import CONFIDENTIALITY, RESTRICTING
from service.fhir.search_parameters import Parameter, parameters
from service.fhir.search_query import AnyOf, Clause, Condition, Linked, Not, OfPatient, TokenValue
from service.fhir.search_reading import Reader, Wanted, split, value_of
from service.security.care import CareReach, in_care, one_patient
from service.security.consent import Requester
from service.security.ownership import ownership
from service.security.principal import Principal
from service.security.scopes import RESTRICTED, VERY_RESTRICTED, Grant, Level, Scopes

__all__ = ["EVERYBODY", "READING", "WRITING", "Reach", "Way", "Whose", "reach_of"]

READING = "rs"
WRITING = "cud"
_WORDS = {"R": RESTRICTED, "V": VERY_RESTRICTED}
_PURPOSES: dict[Level, str] = {"user": "TREAT", "patient": "PATRQT", "system": ""}
_NO_RESEARCH = frozenset({"", "TREAT", "PATRQT"})
"""Purposes for which Consents about research are not asked."""
_READER = Reader(ZoneInfo("UTC"), now=0)
_NAMING_A_PATIENT = Clause(("Device.patient",), "reference", (False,), "missing")


@dataclass(frozen=True, slots=True)
class Whose:
    """Whose resources: of whom any of ``ends`` is, of nobody if there is none; None is everybody.

    ``name`` tells it from others, ``patient`` is the id where it is one patient. ``new``: patients may be
    taken in, who are in nobody's care yet.
    """

    name: str = ""
    ends: tuple[Linked, ...] | None = field(default=None, compare=False)
    patient: str = field(default="", compare=False)
    new: bool = field(default=False, compare=False)

    @property
    def everybody(self) -> bool:
        """Whether no patient is beyond it."""
        return self.ends is None


EVERYBODY = Whose()


@dataclass(frozen=True, slots=True)
class Way:
    """One way to resources of a type: whose, what must hold of them, and whether it is the service's own."""

    whose: Whose
    clauses: tuple[Clause, ...] = ()
    own: bool = False

    @property
    def open(self) -> bool:
        """Whether it leads to everything."""
        return self.whose.everybody and not self.clauses


@dataclass(frozen=True)
class Reach:
    """What of the store a caller reaches.

    ``whose`` are the patients by level of a grant, ``hidden`` the confidentiality codes kept from them,
    ``asks`` what Consents are asked about the caller, None if they are not asked. ``work``: it is the reach
    of the service's own work for the caller, which looks at everything and writes about their patients.
    """

    scopes: Scopes
    whose: dict[Level, Whose]
    hidden: frozenset[str]
    asks: Requester | None
    work: bool = False
    _known: dict[tuple[str, str], tuple[Way, ...]] = field(default_factory=dict, compare=False)
    _plain: dict[str, tuple[Whose, ...]] = field(default_factory=dict, compare=False)

    def ways(self, actions: str, type_: str) -> tuple[Way, ...]:
        """Answer the ways by which any of ``actions`` may be done to resources of a type."""
        found = self._known.get((actions, type_))
        if found is None:
            found = self._known[actions, type_] = self._ways(actions, type_)
        return found

    def plain(self, type_: str) -> tuple[Whose, ...]:
        """Answer whose resources of a type are reached for reading whatever stands in them.

        Those with labels or Consents aside, and nobody's where Consents have to be asked of everybody.
        """
        found = self._plain.get(type_)
        if found is None:
            found = self._plain[type_] = () if self.for_research else self._plainly(type_)
        return found

    def _plainly(self, type_: str) -> tuple[Whose, ...]:
        ways = self.ways(READING, type_)
        if any(way.open for way in ways):
            return (EVERYBODY,)
        owned = ownership(type_) == "owned"
        return tuple(way.whose for way in ways if owned and not way.clauses)

    @cached_property
    def for_research(self) -> bool:
        """Whether the caller may ask for research, so that Consents about it bear on them."""
        return self.asks is not None and self.asks.purpose not in _NO_RESEARCH

    def for_work(self) -> "Reach":
        """The reach of work that the service does for a plain scope, whose answer shows nothing it reads."""
        return replace(self, hidden=frozenset(), asks=None, work=True, _known={}, _plain={})

    def conditions(self, type_: str, actions: str = READING) -> tuple[Condition, ...]:
        """Answer what holds of the resources of a type that are reached, Consents aside."""
        ways = self.ways(actions, type_)
        kept = () if any(way.open for way in ways) else (AnyOf(tuple(_reached(way, type_) for way in ways)),)
        return (*kept, *self._unlabelled)

    @cached_property
    def _unlabelled(self) -> tuple[Condition, ...]:
        if not self.hidden:
            return ()
        values = tuple(TokenValue(CONFIDENTIALITY, code) for code in sorted(self.hidden))
        return (Not(Clause(("Resource._security",), "token", values, wide=True)),)

    def _ways(self, actions: str, type_: str) -> tuple[Way, ...]:
        if self.work:
            looks = set(READING).intersection(actions)
            return (Way(EVERYBODY if looks else self.whose[_narrowest(self.scopes)], own=True),)
        service = ownership(type_) == "service"
        granted = [one for action in actions for one in self.scopes.grants_for(action, type_)]
        kept = [one for one in granted if one.level == "system" or not service]
        ways = [Way(self.whose[one.level], _clauses(one, type_)) for one in kept]
        if not granted and not service:
            ways = [Way(self._narrowest, own=True)]
        opened = next((way for way in ways if way.open), None)
        return (opened,) if opened else tuple(dict.fromkeys(ways))

    @cached_property
    def _narrowest(self) -> Whose:
        """The patients of all that the service does for this caller."""
        return self.whose[_narrowest(self.scopes)]


def reach_of(
    principal: Principal, person: str, care: CareReach, *, broken: bool = False, only: str = ""
) -> Reach:
    """Answer how far a caller reaches.

    ``person`` is the ``Type/id`` that the token's fhirUser is here, empty for none. ``broken``: the glass was
    broken, which opens everybody's resources, labelled ones too, without asking Consents; not the resources
    of other patients to a token about one patient, and where ``only`` names a patient nobody else's.
    """
    scopes = principal.scopes
    everybody = Whose(only, one_patient(only), only) if only else EVERYBODY
    cared = everybody if broken or care == "everybody" else _cared_for(person, care)
    launched = Whose(principal.patient, one_patient(principal.patient), principal.patient)
    level = _narrowest(scopes)
    about = f"Patient/{principal.patient}" if level == "patient" else person
    actors = frozenset({about} - {""})
    hidden = frozenset(code for code in RESTRICTING if _WORDS[code] not in scopes.plain)
    asks = Requester(actors, principal.purpose or _PURPOSES[level], "access")
    return Reach(
        scopes,
        {"system": everybody, "user": cared, "patient": launched},
        frozenset() if broken else hidden,
        None if broken else asks,
    )


def _cared_for(person: str, care: CareReach) -> Whose:
    ends = in_care(person, care)
    return Whose(f"{care} {person}", ends, new=bool(ends))


def _narrowest(scopes: Scopes) -> Level:
    levels = {one.level for one in scopes.grants}
    narrower: tuple[Level, ...] = ("patient", "user")
    return next((one for one in narrower if one in levels), "system")


def _reached(way: Way, type_: str) -> tuple[Condition, ...]:
    """What holds of the resources of a type that a way leads to."""
    if way.whose.everybody:
        return way.clauses
    kind = ownership(type_)
    if kind == "owned":
        return (OfPatient(way.whose.ends), *way.clauses) if way.whose.ends else (AnyOf(()),)
    if kind == "shared":
        return way.clauses
    if kind == "unnamed":
        return (Not(_NAMING_A_PATIENT), *way.clauses)
    return (AnyOf(()),)  # what a security context opens is read by its id alone


def _clauses(grant: Grant, type_: str) -> tuple[Clause, ...]:
    """The query part of a grant; each of its parameters is one of kind token that the type has."""
    table = parameters(type_)
    return tuple(_clause(table[name], value) for name, value in grant.filters)


def _clause(one: Parameter, value: str) -> Clause:
    return value_of(_READER, Wanted("token", one.indexes, one.wide), "", split(value, ","))
