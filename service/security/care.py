"""Whose patients are whose: what makes somebody a clinician's patient, as conditions of a search.

A person who asks is reached with: as a Patient, themselves; as a RelatedPerson, the patient they are related
to; as a Practitioner or PractitionerRole, whoever is in their care. That is (``care-team``) whose active
CareTeam they are on, themselves or by an active role, and whose general practitioner they are; and under
``organization`` also whoever an organization of their active roles cares for.
"""

from typing import Literal

from service.fhir.search_parameters import parameters
from service.fhir.search_query import (
    AnyOf,
    Chain,
    Clause,
    Condition,
    Has,
    Linked,
    ReferenceValue,
    TokenValue,
)
from service.store.contract import Query

__all__ = ["CareReach", "active_roles", "active_teams", "in_care", "one_patient"]

CareReach = Literal["care-team", "organization", "everybody"]


def one_patient(id_: str) -> tuple[Linked, ...]:
    """Answer what is about one patient alone."""
    return (Linked("Patient", Clause(("Resource._id",), "id", (id_,))),)


def in_care(person: str, reach: CareReach) -> tuple[Linked, ...]:
    """Answer what is about somebody in the care of ``person`` (``Type/id``); nothing for nobody."""
    type_, _, id_ = person.partition("/")
    if type_ == "Patient":
        return one_patient(id_)
    if type_ == "RelatedPerson":
        return (Linked(type_, Clause(("Resource._id",), "id", (id_,))),)
    if type_ not in {"Practitioner", "PractitionerRole"}:
        return ()
    ways = [*_own(person)]
    if reach == "organization":
        ways += _of_organizations(person)
    return tuple(ways)


def active_roles(person: str) -> Query:
    """The search for the active roles of a person; for a role itself, that one."""
    return Query("PractitionerRole", (_role(person),), total="none")


def active_teams(person: str) -> Query:
    """The search for the active teams a person is on."""
    return Query("CareTeam", (_on_team(_names("CareTeam", "participant", person)).condition,), total="none")


def _own(person: str) -> list[Linked]:
    return [
        _on_team(_names("CareTeam", "participant", person)),
        _on_team(_leads_to("CareTeam", "participant", "PractitionerRole", _role(person))),
        Linked("Patient", _names("Patient", "general-practitioner", person)),
        Linked("Patient", _leads_to("Patient", "general-practitioner", "PractitionerRole", _role(person))),
    ]


def _of_organizations(person: str) -> list[Linked]:
    role = _role(person)
    employs = Has(_indexes("PractitionerRole", "organization"), Linked("PractitionerRole", role))
    return [
        Linked("Patient", _leads_to("Patient", "organization", "Organization", employs)),
        Linked("Patient", _leads_to("Patient", "general-practitioner", "Organization", employs)),
        _on_team(_leads_to("CareTeam", "participant", "Organization", employs)),
        _on_team(Chain(("CareTeam.managingOrganization",), (Linked("Organization", employs),))),
    ]


def _role(person: str) -> Condition:
    """An active role of the person, or the very role that asks."""
    active = Clause(_indexes("PractitionerRole", "active"), "token", (TokenValue(None, "true"),))
    if person.startswith("PractitionerRole/"):
        itself = Clause(("Resource._id",), "id", (person.partition("/")[2],))
        return AnyOf(((itself, active),))
    return AnyOf(((_names("PractitionerRole", "practitioner", person), active),))


def _on_team(condition: Condition) -> Linked:
    active = Clause(_indexes("CareTeam", "status"), "token", (TokenValue(None, "active"),))
    return Linked("CareTeam", AnyOf(((condition, active),)))


def _names(type_: str, name: str, target: str) -> Clause:
    return Clause(_indexes(type_, name), "reference", (ReferenceValue((target,)),))


def _leads_to(type_: str, name: str, end: str, condition: Condition) -> Chain:
    return Chain(_indexes(type_, name), (Linked(end, condition),))


def _indexes(type_: str, name: str) -> tuple[str, ...]:
    return parameters(type_)[name].indexes
