"""Answers to forms: the Questionnaire that a QuestionnaireResponse names, and whether the answers fit it."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import cache

from service.errors import Issue, IssueType, Place, RuleViolation, Severity
from service.fhir.composition import Composition
from service.fhir.json import Tree, reread
from service.fhir.validation.form_nodes import objects
from service.fhir.validation.questionnaire_response import check_answers
from service.fhir.validation.reading import text
from service.fhir.value_sets import SHIPPED, member
from service.interactions.entry import Applied, Entry
from service.interactions.terms import stored_under
from service.settings import shipped
from service.store.contract import Store, Transaction

__all__ = ["check_forms", "form_issues"]

_TYPE = "QuestionnaireResponse"
_WRITTEN = frozenset({"created", "updated"})
_MOST_VALUE_SETS = 100


async def check_forms(
    txn: Transaction, requests: Sequence[Entry], done: Sequence[Applied], *, warn_only: bool = False
) -> list[Applied]:
    """Compare the answers that were written with their forms, as everything of the request is written.

    Answers ``done`` with what was noticed; RuleViolation if answers do not fit. ``warn_only``: then that is
    noticed as well.
    """
    checked: list[Applied] = []
    errors: list[Issue] = []
    for request, applied in zip(requests, done, strict=True):
        noticed = await _noticed(txn, request, applied)
        if warn_only:
            noticed = tuple(replace(issue, severity=Severity.WARNING) for issue in noticed)
        errors += [issue for issue in noticed if issue.severity == Severity.ERROR]
        checked.append(replace(applied, issues=(*applied.issues, *noticed)) if noticed else applied)
    if errors:
        raise RuleViolation(errors)
    return checked


async def _noticed(txn: Transaction, request: Entry, applied: Applied) -> tuple[Issue, ...]:
    version = applied.version
    if request.type != _TYPE or version is None or applied.outcome not in _WRITTEN:
        return ()
    at = "" if request.index is None else f"Bundle.entry[{request.index}].resource"
    return await form_issues(txn, reread(version.content), at=at)


async def form_issues(source: Store | Transaction, response: Tree, *, at: str = "") -> tuple[Issue, ...]:
    """Answer how the answers differ from what their form asks for; a form that is not known is a warning.

    ``at`` is the expression of the response when it lies inside another resource.
    """
    root = at or _TYPE
    address = text(response, "questionnaire")
    if response.get("resourceType") != _TYPE or not address:
        return ()
    form = await _form(source, response, address)
    if form is None:
        sentence = "The form is not known here, so that the answers can't be compared with it."
        place = Place(expression=f"{root}.questionnaire")
        return (Issue(sentence, Severity.WARNING, IssueType.NOT_FOUND, place),)
    sets = await _value_sets(source, form)

    def has(value_set: str, system: str, code: str) -> bool | None:
        tree = sets.get(value_set)
        return (
            member(value_set.partition("|")[0], system, code) if tree is None else _holds(tree, system, code)
        )

    faults = check_answers(response, form, member=has)
    return tuple(fault.at(root) for fault in faults)


def _holds(value_set: Tree, system: str, code: str) -> bool | None:
    try:
        return Composition(SHIPPED).holds(value_set, system, code)
    except (KeyError, TypeError, AttributeError):  # stored as it was sent: what is no value set tells nothing
        return None


async def _form(source: Store | Transaction, response: Tree, address: str) -> Tree | None:
    if address.startswith("#"):
        return _contained(response, address)
    if address.startswith("Questionnaire/"):  # no canonical address, but found in practice
        version = await source.read("Questionnaire", address.removeprefix("Questionnaire/"))
        return reread(version.content) if version is not None and not version.deleted else None
    url, _, wanted = address.partition("|")
    form = _shipped_forms().get(url)
    if form is not None and wanted in {"", form.get("version")}:
        return form
    return await _stored(source, "Questionnaire", address)


async def _value_sets(source: Store | Transaction, form: Tree) -> dict[str, Tree]:
    """The value sets that its questions name, as far as they are contained or stored."""
    addresses = list(dict.fromkeys(_asked_sets(form)))[:_MOST_VALUE_SETS]
    found: dict[str, Tree] = {}
    for address in addresses:
        if address.startswith("#"):
            tree = _contained(form, address)
        elif SHIPPED.value_set(address) is None:
            tree = await _stored(source, "ValueSet", address)
        else:
            tree = None
        if tree is not None:
            found[address] = tree
    return found


def _asked_sets(node: Tree) -> Iterable[str]:
    for _, item in objects(node, "item"):
        if address := text(item, "answerValueSet"):
            yield address
        yield from _asked_sets(item)


def _contained(holder: Tree, address: str) -> Tree | None:
    return next((one for _, one in objects(holder, "contained") if f"#{text(one, 'id')}" == address), None)


@cache
def _shipped_forms() -> dict[str, Tree]:
    trees = [reread(file.read_bytes()) for file in sorted(shipped("mappings", "forms").glob("*.json"))]
    return {tree["url"]: tree for tree in trees}


async def _stored(source: Store | Transaction, type_: str, address: str) -> Tree | None:
    """The stored definition of a canonical address; the one written last, if no version is asked for."""
    url, _, wanted = address.partition("|")
    newest = sorted(await stored_under(source, type_, url), key=lambda version: -version.sequence)
    return next(
        (tree for tree in (reread(one.content) for one in newest) if wanted in {"", tree.get("version")}),
        None,
    )
