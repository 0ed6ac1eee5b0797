"""The origin of what a request writes, as its caller states it: a Provenance stored with it, or nothing is.

Source: FHIR R4 provenance.html, HTTP header X-Provenance.
"""

from dataclasses import replace

from service.errors import InvalidInput
from service.fhir.json import Tree
from service.interactions.apply import apply, permit
from service.interactions.context import Context
from service.interactions.entry import Applied, Entry, check
from service.store.contract import Transaction, Version

__all__ = ["apply_one", "judged"]

_NAME = "The header X-Provenance"
_WRITTEN = {"reference": "Basic/written"}
"""Stands for the target until that is known."""


def judged(tree: Tree, *, context: Context) -> Tree:
    """Answer a Provenance that may be stored once its target is known.

    InvalidInput unless it is one without a target, Forbidden if the caller may not create it.
    """
    if tree.get("resourceType") != "Provenance":
        raise InvalidInput(f"{_NAME} must hold a Provenance resource as JSON.")
    if "target" in tree:
        raise InvalidInput(f"{_NAME} must name no target: that is what this request writes.")
    entry = _entry(tree, _WRITTEN)
    permit([entry], context=context)
    try:
        check([entry], context=context)
    except InvalidInput as problem:
        told = [replace(issue, message=f"{_NAME}: {issue.message}") for issue in problem.issues]
        raise InvalidInput(told) from None
    return tree


async def apply_one(txn: Transaction, entry: Entry, *, context: Context) -> Applied:
    """Carry out one write, and store what the caller states of its origin, unless nothing changed."""
    (applied,) = await apply(txn, [entry], context=context)
    if context.origin is not None and applied.version is not None and applied.outcome != "unchanged":
        await apply(txn, [_entry(context.origin, _target(applied.version))], context=context)
    return applied


def _target(version: Version) -> Tree:
    return {"reference": f"{version.type}/{version.id}/_history/{version.version}"}


def _entry(tree: Tree, target: Tree) -> Entry:
    return Entry("POST", "Provenance", resource={**tree, "target": [target]})
