"""Answers to forms: the Questionnaire that a QuestionnaireResponse names, and whether the answers fit it."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from service.errors import Issue, RuleViolation, Severity, TooManyCodes
from service.fhir.composition import Composition
from service.fhir.forms import RESPONSE, answer_issues, contained, form_address
from service.fhir.json import Tree, reread
from service.fhir.validation.form_nodes import objects
from service.fhir.validation.reading import text
from service.interactions.context import Context
from service.interactions.entry import Applied, Entry
from service.interactions.terms import Terms
from service.store.contract import Store, Transaction

__all__ = ["check_forms", "form_issues"]

_WRITTEN = frozenset({"created", "updated"})
_MOST_VALUE_SETS = 50
_UNTOLD = (TooManyCodes, KeyError, TypeError, AttributeError)
"""Too much to be judged while writing, or stored as it was sent and no value set: then nothing is told."""


async def check_forms(
    txn: Transaction, requests: Sequence[Entry], done: Sequence[Applied], *, context: Context
) -> list[Applied]:
    """Compare the answers that were written with their forms, as everything of the request is written.

    Answers ``done`` with what was noticed; RuleViolation if answers do not fit, unless the site only warns.
    """
    checked: list[Applied] = []
    errors: list[Issue] = []
    for request, applied in zip(requests, done, strict=True):
        noticed = await _noticed(txn, request, applied, context)
        if context.warn_only:
            noticed = tuple(replace(issue, severity=Severity.WARNING) for issue in noticed)
        errors += [issue for issue in noticed if issue.severity == Severity.ERROR]
        checked.append(replace(applied, issues=(*applied.issues, *noticed)) if noticed else applied)
    if errors:
        raise RuleViolation(errors)
    return checked


async def _noticed(txn: Transaction, request: Entry, applied: Applied, context: Context) -> tuple[Issue, ...]:
    version = applied.version
    if request.type != RESPONSE or version is None or applied.outcome not in _WRITTEN:
        return ()
    at = "" if request.index is None else f"Bundle.entry[{request.index}].resource"
    return await form_issues(txn, reread(version.content), context=context, at=at)


async def form_issues(
    source: Store | Transaction, response: Tree, *, context: Context, at: str = ""
) -> tuple[Issue, ...]:
    """Answer how the answers differ from what their form asks for; a form that is not known is a warning.

    ``at`` is the expression of the response when it lies inside another resource.
    """
    address = form_address(response)
    if not address:
        return ()
    terms = Terms(source, context)
    form = await _form(terms, response, address)
    sets = await _value_sets(terms, form) if form is not None else {}
    composition = Composition(terms)

    def has(value_set: str, system: str, code: str) -> bool | None:
        try:
            return composition.holds(sets[value_set], system, code) if value_set in sets else None
        except _UNTOLD:
            return None

    return answer_issues(response, form, has, at=at)


async def _form(terms: Terms, response: Tree, address: str) -> Tree | None:
    if address.startswith("#"):
        return contained(response, address)
    if address.startswith("Questionnaire/"):  # no canonical address, but found in practice
        return await terms.stored("Questionnaire", address.removeprefix("Questionnaire/"))
    await terms.find("Questionnaire", address)
    return terms.form(address)


async def _value_sets(terms: Terms, form: Tree) -> dict[str, Tree]:
    """The value sets that its questions name, as far as they are known, with all they are made of."""
    addresses = list(dict.fromkeys(_asked_sets(form)))[:_MOST_VALUE_SETS]
    await terms.find("ValueSet", *(one for one in addresses if not one.startswith("#")))
    named = (
        (one, contained(form, one) if one.startswith("#") else terms.value_set(one)) for one in addresses
    )
    found = {address: tree for address, tree in named if tree is not None}
    try:
        await terms.prepare(*found.values())
    except _UNTOLD:
        return {}
    return found


def _asked_sets(node: Tree) -> Iterable[str]:
    for _, item in objects(node, "item"):
        if address := text(item, "answerValueSet"):
            yield address
        yield from _asked_sets(item)
