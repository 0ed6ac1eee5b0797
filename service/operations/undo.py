"""``Provenance/[id]/$undo``: a person takes back what was decided, by a new decision.

What the decision changed becomes what it was, element by element; nothing is erased. An undoing is a decision
too, and can be undone.
"""

from dataclasses import dataclass

from service.errors import Conflict, RuleViolation
from service.fhir.json import reread
from service.interactions.context import Context
from service.interactions.read import read, there, vread
from service.operations.decision import Decided, Writing, author_of, write
from service.records.decision import SIGNATURE, Decision, activity_of
from service.records.parts import target
from service.records.stored import Resource, reference_to
from service.records.undoing import changed_elements, foreign_elements, overwritten, undone, withdrawn
from service.security.principal import Principal
from service.store.contract import Store, Transaction
from service.terminology.codes import VALUE, Codes

__all__ = ["undo"]

_STEPS = 4
"""``Type/id/_history/version``."""


@dataclass(frozen=True, slots=True)
class _Change:
    """One version that a decision wrote, and the one before it; None if it created the resource."""

    before: Resource | None
    after: Resource

    @property
    def names(self) -> frozenset[str]:
        """The elements it changed."""
        return frozenset({"status"}) if self.before is None else changed_elements(self.before, self.after)

    def back(self, current: Resource) -> Resource:
        """The resource as it is to be written. Conflict if others changed the same since."""
        name = reference_to(current)
        if lost := overwritten(current, self.after, self.names):
            raise Conflict(
                f"{name} was changed since ({', '.join(sorted(lost))}); undo that first, or decide anew."
            )
        if self.before is not None:
            return undone(current, self.before, self.after)
        tree = withdrawn(current)
        if tree is None:
            raise RuleViolation(f"{name} was not made by a decision.")
        return tree


async def undo(  # noqa: PLR0913 - what the act consists of
    store: Store,
    provenance_id: str,
    *,
    reason: str = "",
    principal: Principal,
    context: Context,
    codes: Codes,
) -> Decided:
    """Undo the decision that a Provenance tells of.

    RuleViolation if it tells of none, Conflict if others changed the same elements since.
    """
    writing = Writing.by(principal, "Provenance", context=context, codes=codes)
    told = reread((await read(store, "Provenance", provenance_id, context=writing.context)).content)
    if not (activity := activity_of(told)):
        raise RuleViolation("This Provenance tells of no decision; only decisions can be undone.")
    if activity == SIGNATURE:
        raise RuleViolation("A signature is not taken back: send the record again, amended, with a reason.")
    changes = [await _change(store, target(one), writing) for one in told.get("target", ())]
    source = {**_reference(told), "display": codes.display(VALUE, activity)}

    async def work(txn: Transaction) -> Decided:
        trees = [change.back(await _current(txn, change)) for change in changes]
        author = await author_of(txn, writing)
        return await write(txn, Decision("undo", reason.strip(), (source,)), trees, author, writing)

    return await store.write("undo", work)


def _reference(resource: Resource) -> dict[str, str]:
    return {"reference": reference_to(resource)}


async def _change(store: Store, name: str, writing: Writing) -> _Change:
    """The version that a target names, and the one before it."""
    steps = name.split("/")
    if len(steps) != _STEPS or not steps[3].isdecimal():
        raise RuleViolation("This Provenance names no versions, so what it tells of can't be undone.")
    type_, id_, number = steps[0], steps[1], steps[3]
    context = writing.context
    after = reread((await vread(store, type_, id_, number, context=context)).content)
    if number == "1":
        return _Change(None, after)
    earlier = await vread(store, type_, id_, str(int(number) - 1), context=context)
    change = _Change(reread(earlier.content), after)
    if foreign := foreign_elements(type_, change.names):
        raise RuleViolation(
            f"The version {name} changed more than a decision does ({', '.join(sorted(foreign))})."
        )
    return change


async def _current(txn: Transaction, change: _Change) -> Resource:
    type_, id_ = change.after["resourceType"], change.after["id"]
    return reread(there(await txn.read(type_, id_), f"{type_}/{id_}").content)
