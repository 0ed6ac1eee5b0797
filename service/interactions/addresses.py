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

__all__ = ["addresses", "redirect", "resolve"]

_CONDITIONAL = re.compile(r"([A-Z][A-Za-z]+)\?(.+)", re.DOTALL)
_TAIL = re.compile(r"/_history/|#")


def addresses(targets: Iterable[Target]) -> dict[str, str]:
    """Every address by which entries may refer to each other, and the reference that becomes of it."""
    known: dict[str, str] = {}
    for target in targets:
        entry = target.entry
        if entry.condition:
            known[f"{entry.type}?{entry.condition}"] = target.reference
        if entry.full_url:
            known[entry.full_url] = target.reference
            relative = "/".join(entry.full_url.split("/")[-2:])
            if relative.startswith(f"{entry.type}/"):
                known.setdefault(relative, target.reference)
    return known


def redirect(tree: Tree, known: Mapping[str, str]) -> tuple[Tree, bool]:
    """Answer the tree with every known address replaced (the very same tree if there is none).

    The second answer tells whether there may be conditional references that no entry answers.
    """
    asked = False

    def new(text: str) -> str:
        nonlocal asked
        if text in known:
            return known[text]
        asked = asked or ("?" in text and _CONDITIONAL.fullmatch(text) is not None)
        if "#" in text or "/_history/" in text:
            head = _TAIL.split(text, maxsplit=1)[0]
            return known[head] + text[len(head) :] if head in known else text
        return text

    return rewrite(tree, new), asked


async def resolve(txn: Transaction, tree: Tree, known: dict[str, str], *, context: Context) -> None:
    """Add to ``known`` what each conditional reference matches; PreconditionFailed unless exactly one."""
    for text in reference_texts(tree):
        found = _CONDITIONAL.fullmatch(text)
        if found and text not in known:
            known_type(found[1])
            match = await one_match(txn, found[1], found[2], context=context)
            if match is None:
                raise PreconditionFailed(
                    Issue(f"No {found[1]} matches a conditional reference.", code=IssueType.NOT_FOUND)
                )
            known[text] = f"{match.type}/{match.id}"
