"""$validate: what is wrong with a resource, and whether a write of it would be accepted (FHIR R4)."""

from collections.abc import Sequence

from service.errors import InvalidInput, Issue, IssueType, Place
from service.fhir.json import Tree, dump, reread
from service.fhir.outcome import operation_outcome
from service.fhir.validation.profiles import Definitions
from service.fhir.validation.requested import check_requested
from service.interactions import read as reads
from service.interactions.aside import aside
from service.interactions.context import Context
from service.interactions.entry import Entry
from service.interactions.forms import form_issues
from service.interactions.rehearsal import rehearse
from service.interactions.terms import Terms
from service.operations.code_issues import code_issues
from service.operations.validation_request import Asked, read_request
from service.store.contract import Store

__all__ = ["validate"]


async def validate(  # noqa: PLR0913 - what the request consists of
    store: Store,
    type_: str,
    id_: str,
    query: Sequence[tuple[str, str]],
    body: bytes,
    *,
    is_xml: bool,
    as_sent: bool = True,
    if_match: str | None,
    context: Context,
) -> bytes:
    """Answer an OperationOutcome with every problem found; nothing is stored.

    ``id_`` is empty if no stored resource is named. Lines and columns are told if the body is the text
    ``as_sent``. InvalidInput if the body can't be read at all or the
    parameters do not fit each other; NotFound or Gone if the stored resource is to be validated and is not
    there.
    """
    asked, issues = await aside(read_request, query, body, is_xml=is_xml, max_depth=context.max_depth)
    _fits(asked, named=bool(id_), sent=asked.resource is not None or bool(issues))
    if asked.mode == "delete":
        entry = Entry("DELETE", f"{type_}/{id_}", if_match=if_match)
        return dump(operation_outcome(await rehearse(store, entry, context=context)))
    if issues:
        return dump(operation_outcome(issues))
    if (tree := asked.resource) is None:
        tree = reread((await reads.read(store, type_, id_, context=context)).content)
    found = await aside(_judged, tree, type_, asked.profile, context.definitions)
    found += await form_issues(store, tree, context=context)
    found += await code_issues(Terms(store, context), tree)
    if asked.mode:
        found += await rehearse(store, _write(asked, tree, type_, id_, if_match), context=context)
    found = tuple(dict.fromkeys(found))
    return dump(operation_outcome(await aside(asked.placed, found) if as_sent else found))


def _fits(asked: Asked, *, named: bool, sent: bool) -> None:
    if asked.mode in {"update", "delete"} and not named:
        raise InvalidInput(f"The mode {asked.mode} needs the id of a resource in the address.")
    if not sent and (not named or asked.mode in {"create", "update"}):
        raise InvalidInput("Send the resource, as the body or as the parameter 'resource'.")


def _judged(tree: Tree, type_: str, profile: str, definitions: Definitions) -> tuple[Issue, ...]:
    issues = check_requested(tree, (profile,) if profile else (), definitions)
    if isinstance(tree.get("resourceType"), str) and tree["resourceType"] != type_:
        text = f"The resourceType must be {type_}, as in the address."
        issues = (Issue(text, code=IssueType.VALUE, place=Place(expression="resourceType")), *issues)
    return issues


def _write(asked: Asked, tree: Tree, type_: str, id_: str, if_match: str | None) -> Entry:
    if asked.mode == "create":
        return Entry("POST", type_, resource=tree)
    return Entry("PUT", f"{type_}/{id_}", resource=tree, if_match=if_match)
