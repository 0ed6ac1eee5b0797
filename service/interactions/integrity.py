"""Referential integrity, where the settings ask for it: no reference leads nowhere (FHIR R4 references.html).

Looked at when everything of a request is written, so that resources of one transaction may refer to each
other in any order, and what refers to a resource may be deleted together with it.
"""

from collections.abc import Iterable, Sequence

from service.errors import Conflict, Issue, IssueType, Place, RuleViolation
from service.fhir.json import reread
from service.fhir.references import local_target, reference_texts
from service.interactions.context import Context
from service.interactions.entry import Applied, Entry, at_entry
from service.store.contract import Transaction, Version

__all__ = ["check_references"]

_MOST_NAMED = 10


async def check_references(
    txn: Transaction, requests: Sequence[Entry], done: Sequence[Applied], *, context: Context
) -> None:
    """Raise for references of what was written that lead nowhere, and for those to what was deleted.

    RuleViolation names every dangling reference, Conflict up to ten resources that refer to a deleted one.
    """
    dangling: list[Issue] = []
    for request, applied in zip(requests, done, strict=True):
        if applied.outcome in {"created", "updated"} and applied.version is not None:
            dangling += _placed(await _dangling(txn, applied.version, context), request)
    if dangling:
        raise RuleViolation(dangling)
    for request, applied in zip(requests, done, strict=True):
        if applied.outcome == "deleted" and applied.version is not None:
            await _unreferred(txn, request, applied.version)


async def _dangling(txn: Transaction, version: Version, context: Context) -> list[Issue]:
    texts = reference_texts(reread(version.content))
    targets = dict.fromkeys(local_target(text, context.base) for text in texts)
    issues: list[Issue] = []
    for target in filter(None, targets):
        type_, id_ = target.split("/")
        found = await txn.read(type_, id_)
        if found is None or found.deleted:
            text = (
                f"It refers to {target}, which is not stored here; store that first, or in one transaction."
            )
            issues.append(Issue(text, code=IssueType.NOT_FOUND, place=Place(expression=version.type)))
    return issues


async def _unreferred(txn: Transaction, request: Entry, version: Version) -> None:
    referrers = await txn.referrers(version.type, version.id, _MOST_NAMED + 1)
    if not referrers:
        return
    named = ", ".join(referrers[:_MOST_NAMED]) + (" and others" if len(referrers) > _MOST_NAMED else "")
    text = f"{version.type}/{version.id} can't be deleted while others refer to it: {named}."
    raise Conflict(_placed([Issue(text, code=IssueType.CONFLICT)], request))


def _placed(issues: Iterable[Issue], request: Entry) -> list[Issue]:
    index = request.index
    return [issue if index is None else at_entry(issue, index) for issue in issues]
