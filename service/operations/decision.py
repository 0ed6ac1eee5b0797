"""Carrying out what a person decided: new versions and their Provenance in one transaction.

Who decides says which version they looked at, so that nobody's decision goes over another's unseen. The
caller's right to decide lets write what a decision consists of; what is written is refused if it is not
valid, whatever the site asks for.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from service.errors import Issue, IssueType, Place, RuleViolation
from service.fhir.json import Tree, dump, reread
from service.fhir.references import local_target
from service.fhir.value_sets import codes as codes_of
from service.interactions.context import Context, allow_everything
from service.interactions.entry import Applied, Entry, check
from service.interactions.matching import check_tag
from service.interactions.read import read
from service.interactions.transaction import apply
from service.records.decision import Author, Decision, decision_provenance, labels_of
from service.records.elements import Element, moment, reference
from service.records.stored import Resource, reference_to
from service.security.principal import Principal
from service.security.scopes import GOAL_DECISIONS, require
from service.store.contract import Transaction, Version
from service.terminology.codes import Codes

__all__ = [
    "DECIDING",
    "Decided",
    "Looked",
    "Writing",
    "answer_of",
    "author_of",
    "look",
    "refuse",
    "without_code",
    "without_reason",
    "write",
]

DECIDING: Mapping[str, tuple[str, ...]] = {
    "Goal": (
        f"{GOAL_DECISIONS} Patient.r Goal.r Observation.r",
        "Patient.r Goal.ru Observation.cr Provenance.c",
    ),
    "Encounter": (f"{GOAL_DECISIONS} Encounter.r", "Encounter.ru Provenance.c"),
    "Observation": (f"{GOAL_DECISIONS} Observation.r", "Observation.ru Provenance.c"),
    "signature": (f"{GOAL_DECISIONS} Encounter.r",),
    "Provenance": (
        f"{GOAL_DECISIONS} Provenance.r Goal.r Encounter.r Observation.r",
        "Provenance.cr Goal.ru Encounter.ru Observation.cru",
    ),
}
"""The scopes that let decide about a type; one alternative must hold. That of Provenance lets undo,
that of signature sign a visit, which writes whatever its record became."""


@dataclass(frozen=True, slots=True)
class Decided:
    """What a decision wrote: versions (``Goal/1/_history/3``) and its Provenance (``Provenance/1``)."""

    changed: tuple[str, ...]
    provenance: str


@dataclass(frozen=True, slots=True)
class Looked:
    """A resource as it stands, in the version the person looked at."""

    version: Version
    tree: Resource


@dataclass(frozen=True, slots=True)
class Writing:
    """With what a decision is written: the caller's context, freed for the purpose, and the codes."""

    context: Context
    principal: Principal
    codes: Codes

    @classmethod
    def by(cls, principal: Principal, what: str, *, context: Context, codes: Codes) -> "Writing":
        """Forbidden unless the principal may decide about this, a key of ``DECIDING``."""
        require(principal.scopes, DECIDING[what])
        return cls(replace(context, allow=allow_everything, warn_only=False), principal, codes)


async def look(txn: Transaction, type_: str, id_: str, if_match: str | None, writing: Writing) -> Looked:
    """Read what is decided about. PreconditionFailed if it is another version than ``if_match`` names."""
    version = await read(txn, type_, id_, context=writing.context)
    check_tag(if_match, version)
    return Looked(version, reread(version.content))


def refuse(*problems: Issue | None) -> None:
    """RuleViolation with every problem there is."""
    if found := [one for one in problems if one]:
        raise RuleViolation(found)


def without_reason(text: str) -> Issue | None:
    """The problem of a reason that says nothing."""
    return None if text.strip() else _problem("reason", "Give the reason in words.")


def without_code(name: str, code: str, value_set: str, *, never: str = "") -> Issue | None:
    """The problem of a code that is none of a value set's, or that ``never`` fits here."""
    known = sorted((codes_of(value_set) or frozenset()) - {never})
    if code in known:
        return None
    return _problem(name, f"'{code[:40]}' is not one of {', '.join(known)}.")


def _problem(name: str, text: str) -> Issue:
    return Issue(text, code=IssueType.BUSINESS_RULE, place=Place(f"http.{name}"))


async def author_of(txn: Transaction, writing: Writing) -> Author:
    """Who decides, and when: the person on file, else the holder of the token by issuer and subject."""
    principal, context = writing.principal, writing.context
    now = moment(context.clock().astimezone(context.zone).replace(microsecond=0))
    identifier = {"system": principal.issuer, "value": principal.subject}
    local = local_target(principal.fhir_user, context.base)
    if local:
        known = await txn.read(*local.split("/"))
        local = local if known and not known.deleted else ""
    elsewhere = principal.fhir_user if principal.fhir_user.startswith("http") else ""
    name = local or elsewhere
    return Author({**(reference(name) if name else {}), "identifier": identifier}, now)


async def write(
    txn: Transaction, decision: Decision, trees: Sequence[Resource], author: Author, writing: Writing
) -> Decided:
    """Write new versions of ``trees`` (those without id are created) and the Provenance of the decision.

    RuleViolation if nothing changes by it.
    """
    context = writing.context
    applied = await apply(txn, check([_entry(tree) for tree in trees], context=context), context=context)
    changes = {name: before for one in applied if one.outcome != "unchanged" for name, before in _named(one)}
    if not changes:
        raise RuleViolation("This is what stands already; nothing was changed.")
    tree = decision_provenance(decision, changes, author, labels=labels_of(trees[0]), codes=writing.codes)
    told = check([Entry("POST", "Provenance", resource=tree)], context=context)
    (kept,) = await apply(txn, told, context=context)
    return Decided(tuple(changes), f"Provenance/{kept.version.id}" if kept.version else "")


def answer_of(decided: Decided) -> bytes:
    """The Parameters that the operations answer."""
    changed = [{"name": "changed", "valueReference": reference(one)} for one in decided.changed]
    told: Element = {"name": "provenance", "valueReference": reference(decided.provenance)}
    return dump({"resourceType": "Parameters", "parameter": [*changed, told]})


def _entry(tree: Tree) -> Entry:
    if "id" not in tree:
        return Entry("POST", tree["resourceType"], resource=tree)
    return Entry("PUT", reference_to(tree), resource=tree)


def _named(applied: Applied) -> list[tuple[str, str]]:
    """The version written and the one before it, empty for none."""
    version = applied.version
    if version is None:
        return []
    name = f"{version.type}/{version.id}/_history/"
    before = f"{name}{version.version - 1}" if version.version > 1 else ""
    return [(f"{name}{version.version}", before)]
