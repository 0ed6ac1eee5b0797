"""Pointing the references of a transaction's resources at where they really are (FHIR R4 http.html)."""

import re
from collections.abc import Iterable, Mapping

from service.errors import Issue, IssueType, PreconditionFailed
from service.fhir.json import Tree
from service.fhir.references import reference_texts, rewrite
from service.interactions.context import Context
from service.interactions.entry import known_type
from service.interactions.matching import one_match
from service.interactions.targets import Target
from service.store.contract import Transaction

__all__ = ["addresses", "redirect", "resolved", "unresolved"]

_CONDITIONAL = re.compile(r"([A-Z][A-Za-z]+)\?(.+)", re.DOTALL)
_TAIL = re.compile(r"/_history/|#")


def addresses(targets: Iterable[Target]) -> dict[str, str]:
    """Every address by which entries may refer to each other, and the reference that becomes of it."""
    known: dict[str, str] = {}
    for target in targets:
        entry = target.entry
        if target.condition:
            known[f"{entry.type}?{target.condition}"] = target.reference
        if entry.full_url:
            known[entry.full_url] = target.reference
            relative = "/".join(entry.full_url.split("/")[-2:])
            if relative.startswith(f"{entry.type}/"):
                known.setdefault(relative, target.reference)
    return known


def redirect(tree: Tree, known: Mapping[str, str]) -> Tree:
    """Answer the tree with every known address replaced; the very same tree if there is none."""

    def new(text: str) -> str:
        head = _TAIL.split(text, maxsplit=1)[0]
        return known.get(text) or (known[head] + text[len(head) :] if head in known else text)

    return rewrite(tree, new) if known else tree


def unresolved(tree: Tree, known: Mapping[str, str]) -> bool:
    """Whether the tree has conditional references that no entry answers."""
    return any(_CONDITIONAL.fullmatch(text) and text not in known for text in reference_texts(tree))


async def resolved(
    txn: Transaction, tree: Tree, known: Mapping[str, str], *, context: Context
) -> dict[str, str]:
    """Answer ``known`` and what each conditional reference matches; PreconditionFailed unless exactly one."""
    every = dict(known)
    for text in reference_texts(tree):
        found = _CONDITIONAL.fullmatch(text)
        if found and text not in every:
            known_type(found[1])
            match = await one_match(txn, found[1], found[2], context=context)
            if match is None:
                raise PreconditionFailed(
                    Issue(f"No {found[1]} matches a conditional reference.", code=IssueType.NOT_FOUND)
                )
            every[text] = f"{match.type}/{match.id}"
    return every
