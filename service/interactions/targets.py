"""Which resource each write is about, known before anything is written (FHIR R4 http.html)."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import cast

from service.errors import Conflict, InvalidInput, Issue, IssueType, NotFound, RuleViolation
from service.fhir.json import reread
from service.fhir.patch import Patch, patched
from service.interactions.context import Context
from service.interactions.entry import Applied, Entry, at_entry, check
from service.interactions.matching import Matches, check_tag
from service.interactions.read import there
from service.store.contract import Transaction, Version

__all__ = ["Target", "no_resource_twice", "target_of"]


@dataclass(slots=True)
class Target:
    """The resource an entry writes. ``existing`` is set if a conditional create found it and leaves it."""

    entry: Entry
    id: str
    existing: Version | None = None

    @property
    def reference(self) -> str:
        """``Type/id``."""
        return f"{self.entry.type}/{self.id}"


async def target_of(txn: Transaction, entry: Entry, matches: Matches, *, context: Context) -> Target:
    """Find or choose the id of a POST, PUT or PATCH; the latter becomes the PUT of what it makes."""
    if entry.patch is not None:
        return await _patched(txn, entry, entry.patch, matches, context=context)
    if entry.method == "POST":
        if not entry.if_none_exist:
            return Target(entry, context.new_id())
        match = await matches.one(entry.type, entry.if_none_exist)
        return Target(entry, match.id if match else context.new_id(), match)
    if entry.criteria is None:
        return Target(entry, entry.id)
    match = await matches.one(entry.type, entry.criteria)
    own = cast("str", entry.tree.get("id", ""))
    if match is not None:
        if own and own != match.id:
            raise InvalidInput("The condition matches a resource with another id than the body has.")
        return Target(entry, match.id)
    there_is = await txn.read(entry.type, own) if own else None
    if there_is is not None and not there_is.deleted:
        raise Conflict(f"Nothing matches the condition, but {entry.type}/{own} exists already.")
    return Target(entry, own or context.new_id())


async def _patched(
    txn: Transaction, entry: Entry, patch: Patch, matches: Matches, *, context: Context
) -> Target:
    """What a patch makes of the resource it finds: NotFound or Gone if there is none.

    RuleViolation if it can't be done or makes something that is not valid; then nothing has changed.
    """
    if entry.criteria is not None:
        newest = await matches.one(entry.type, entry.criteria)
        if newest is None:
            raise NotFound(f"No {entry.type} matches the condition.")
    else:
        newest = there(await txn.read(entry.type, entry.id), f"{entry.type}/{entry.id}")
    check_tag(entry.if_match, newest)
    tree = patched(reread(newest.content), reread(newest.content), patch)
    update = replace(entry, method="PUT", resource=tree, patch=None)
    try:
        (update,) = check([update], context=context)
    except InvalidInput as invalid:
        raise RuleViolation(_after_patch(issue) for issue in invalid.issues) from None
    return Target(update, newest.id)


def _after_patch(issue: Issue) -> Issue:
    return replace(issue, message=f"After the patch: {issue.message}")


def no_resource_twice(targets: Iterable[Target], deleted: Iterable[Applied]) -> None:
    """InvalidInput names every entry that writes what another entry writes too, also by condition."""
    seen = {f"{one.version.type}/{one.version.id}" for one in deleted if one.version}
    issues: list[Issue] = []
    for target in targets:
        names = {target.reference}
        if target.entry.condition:
            names.add(f"{target.entry.type}?{target.entry.condition}")
        if names & seen:
            text = "The same resource is written twice in one transaction; keep one of the requests."
            issue = Issue(text, code=IssueType.DUPLICATE)
            issues.append(issue if target.entry.index is None else at_entry(issue, target.entry.index))
        seen |= names
    if issues:
        raise InvalidInput(issues)
