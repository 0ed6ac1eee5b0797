"""One request as a Bundle entry states it; one on its own takes the same shape (FHIR R4 bundle.html)."""

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, Literal, cast

from service.errors import (
    InvalidInput,
    Issue,
    IssueType,
    NotFound,
    Place,
    ServiceError,
    Severity,
    TooLarge,
)
from service.fhir.json import Tree
from service.fhir.patch import Patch, patch_of
from service.fhir.search_parameters import stored_types
from service.fhir.summary import is_subset
from service.fhir.validation import check as check_resource
from service.fhir.validation.kinds import misshapen
from service.fhir.validation.places import told
from service.fhir.validation.requested import claim_issues
from service.interactions.consent_doubts import consent_doubts
from service.interactions.context import Context
from service.interactions.subscribing import subscription_issues
from service.store.contract import Version

__all__ = [
    "Applied",
    "Entry",
    "Method",
    "at_entry",
    "check",
    "entries",
    "known_type",
    "nodes",
    "placed",
    "read_entry",
    "usable",
]

_ID = r"[A-Za-z0-9\-.]{1,64}"
_OPERATION = rf"(\w+/({_ID}/)?)?\$[a-z][a-z-]*(\?.*)?"
_READS = re.compile(
    rf"(\w+/{_ID}(/_history(/{_ID})?|/(\*|[A-Z]\w+))?|(\w+/)?_history|\w+|)(\?.*)?|{_OPERATION}", re.DOTALL
)
_SHAPES = {
    "GET": _READS,
    "HEAD": _READS,
    "POST": re.compile(rf"\w+|{_OPERATION}", re.DOTALL),
    "PUT": re.compile(rf"\w+(/{_ID}|\?.*)", re.DOTALL),
    "PATCH": re.compile(rf"\w+(/{_ID}|\?.*)", re.DOTALL),
    "DELETE": re.compile(rf"\w+(/{_ID}|\?.*)", re.DOTALL),
}
Method = Literal["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One request.

    ``index`` is its place in the Bundle, None for a request on its own. ``url`` is relative to the base
    (``Observation/1``, ``Observation?identifier=system|value``). ``content`` is the exact text of
    ``resource`` where there is one to keep. ``patch`` is what a PATCH does to the resource it finds.
    ``issues`` are what was noticed of the resource and accepted.
    """

    method: Method
    url: str
    index: int | None = None
    full_url: str = ""
    resource: Tree | None = None
    content: bytes | None = None
    if_match: str | None = None
    if_none_exist: str | None = None
    if_none_match: str | None = None
    if_modified_since: str | None = None
    patch: Patch | None = None
    issues: tuple[Issue, ...] = ()

    @property
    def type(self) -> str:
        """The resource type the request is about."""
        return self.url.partition("?")[0].partition("/")[0]

    @property
    def steps(self) -> list[str]:
        """The parts of the path: ``Observation``, ``1``, ``_history``, ``2``."""
        return self.url.partition("?")[0].split("/")

    @property
    def member(self) -> str:
        """The type searched in a compartment (``Patient/1/Goal``), ``*`` for all; else empty."""
        steps = self.steps
        return steps[2] if len(steps) == 3 and not self.operation and steps[2] != "_history" else ""

    @property
    def operation(self) -> str:
        """The operation that is called (``$everything``), else empty."""
        last = self.steps[-1]
        return last if last.startswith("$") else ""

    @property
    def reads(self) -> bool:
        """Whether it is none of the interactions that write; of an operation its definition tells."""
        return self.method in {"GET", "HEAD"} or bool(self.operation)

    @property
    def id(self) -> str:
        """The id in the url, empty if there is none."""
        steps = self.steps
        return steps[1] if len(steps) > 1 and steps[1][:1] not in {"_", "$"} else ""

    @property
    def criteria(self) -> str | None:
        """The search of a conditional request, None if there is none."""
        _, mark, criteria = self.url.partition("?")
        return criteria if mark else None

    @property
    def condition(self) -> str:
        """The search by which what is written is looked for, empty for none."""
        return self.criteria or self.if_none_exist or ""

    @property
    def tree(self) -> Tree:
        """The resource of a request that has one."""
        if self.resource is None:
            raise InvalidInput("The request needs a resource.")
        return self.resource


@dataclass(frozen=True, slots=True)
class Applied:
    """What became of one write; ``version`` is the newest version, None if there was nothing to delete.

    ``issues`` are what was noticed and accepted all the same.
    """

    outcome: Literal["created", "updated", "unchanged", "deleted"]
    version: Version | None
    issues: tuple[Issue, ...] = ()


def known_type(type_: str) -> None:
    """NotFound if ``type_`` is not stored here."""
    if type_ not in stored_types():
        raise NotFound(
            f"'{type_[:64]}' is not a resource type this service stores (names are case-sensitive)."
        )


@contextmanager
def placed(index: int | None) -> Iterator[None]:
    """Let every problem raised within name the Bundle's entry it comes from."""
    try:
        yield
    except ServiceError as error:
        if index is None:
            raise
        raise type(error)(at_entry(issue, index) for issue in error.issues) from error


def entries(bundle: Tree, *, context: Context) -> tuple[Entry, ...]:
    """Read every request of a Bundle. InvalidInput names all entries that are not usable requests."""
    read: list[Entry] = []
    issues: list[Issue] = []
    for index, node in enumerate(nodes(bundle, context=context)):
        try:
            read.append(read_entry(index, node, context=context))
        except ServiceError as error:
            issues += error.issues
    if issues:
        raise InvalidInput(issues)
    return tuple(read)


def nodes(bundle: Tree, *, context: Context) -> list[Any]:
    """Answer Bundle.entry, checked for kind and number."""
    found = bundle.get("entry", [])
    if not isinstance(found, list):
        raise InvalidInput("Bundle.entry must be an array.", expression="Bundle.entry")
    if len(found) > context.max_bundle_entries:
        raise TooLarge(
            f"The Bundle has {len(found)} entries; at most {context.max_bundle_entries} are accepted."
        )
    return found


def read_entry(index: int, node: Any, *, context: Context) -> Entry:
    """Read one entry of a batch or transaction; InvalidInput or NotFound with its place."""
    with placed(index):
        request = node.get("request") if isinstance(node, dict) else None
        if not isinstance(request, dict):
            raise InvalidInput("The entry needs a request with method and url.")
        method, url = _text(request, "method"), _text(request, "url")
        if method not in _SHAPES:
            text = f"The method must be one of {', '.join(_SHAPES)}; others are not supported in a Bundle."
            raise InvalidInput(Issue(text, code=IssueType.NOT_SUPPORTED))
        entry = Entry(
            cast("Method", method),
            (url or "").removeprefix(f"{context.base}/").removeprefix("/"),
            index,
            _text(node, "fullUrl") or "",
            node.get("resource"),
            None,
            if_match=_text(request, "ifMatch"),
            if_none_exist=_text(request, "ifNoneExist"),
            if_none_match=_text(request, "ifNoneMatch"),
            if_modified_since=_text(request, "ifModifiedSince"),
        )
        usable(entry)
        if entry.method == "PATCH":
            return replace(entry, patch=patch_of(entry.resource, max_depth=context.max_depth))
        return entry


def usable(entry: Entry) -> None:
    """Check a request as far as it can be without the store: its url, and that the resource belongs to it."""
    everything = entry.type == "" and entry.method in {"GET", "HEAD"}
    if not everything and entry.type != "_history" and not entry.type.startswith("$"):
        known_type(entry.type)
    if not _SHAPES[entry.method].fullmatch(entry.url):
        raise InvalidInput(
            f"{entry.method} can't be used with this url; an id has 1 to 64 of A-Z a-z 0-9 - and ."
        )
    if entry.criteria == "" and not entry.reads:
        raise InvalidInput("A conditional request needs at least one search parameter.")
    if entry.method not in {"POST", "PUT"} or entry.operation:
        return
    tree = entry.resource
    if not isinstance(tree, dict):
        raise InvalidInput("The request needs a resource, written as a JSON object.")
    if tree.get("resourceType") != entry.type:
        raise InvalidInput(
            f"The resourceType of the body must be {entry.type}, as in the url.", expression="resourceType"
        )
    if entry.method == "PUT" and entry.id and tree.get("id") != entry.id:
        raise InvalidInput(
            "The id of the body must be given and equal the id in the url.", expression=f"{entry.type}.id"
        )


def check(requests: Iterable[Entry], *, context: Context) -> tuple[Entry, ...]:
    """Check the resources of write requests; answers the requests with what was noticed and accepted.

    They are also held against the profiles they claim. InvalidInput carries every problem of every entry that
    stands in the way: every error, or, where the site only warns, what can't be stored and searched.
    """
    checked: list[Entry] = []
    errors: list[Issue] = []
    for request in requests:
        noticed: tuple[Issue, ...] = ()
        if request.method in {"POST", "PUT"} and not request.operation:
            at = "" if request.index is None else f"Bundle.entry[{request.index}].resource"
            noticed = check_resource(request.tree, at=at)
            noticed += claim_issues(request.tree, context.definitions, at=at)
            if context.warn_only:
                noticed = (*_unstorable(request.tree, at), *map(_as_warning, noticed))
            if request.type == "Subscription":
                noticed = (*noticed, *subscription_issues(request.tree, context, at=at))
            found = [issue for issue in noticed if issue.severity == Severity.ERROR]
            errors += found or _whole(request.tree, at)
            noticed += () if found else consent_doubts(request.tree, at=at)
        checked.append(replace(request, issues=noticed) if noticed else request)
    if errors:
        raise InvalidInput(errors)
    return tuple(checked)


def _unstorable(tree: Tree, at: str) -> tuple[Issue, ...]:
    return told(misshapen(tree), tree, at=at)


def _as_warning(issue: Issue) -> Issue:
    return replace(issue, severity=Severity.WARNING) if issue.severity == Severity.ERROR else issue


def _whole(tree: Tree, at: str) -> tuple[Issue, ...]:
    """A part of a resource, as ``_summary`` or ``_elements`` answer it, must not replace it."""
    if not is_subset(tree):
        return ()
    text = (
        "This is only a part of the resource (its tag is SUBSETTED); read the whole, change that and send it."
    )
    return (Issue(text, code=IssueType.BUSINESS_RULE, place=Place(f"{at or tree['resourceType']}.meta.tag")),)


def _text(node: Tree, name: str) -> str | None:
    value = node.get(name)
    if value is not None and not isinstance(value, str):
        raise InvalidInput(f"{name} must be a string.")
    return value


def at_entry(issue: Issue, index: int) -> Issue:
    """Answer the issue with the Bundle's entry named in sentence and place."""
    at = f"Bundle.entry[{index}]"
    if issue.place.expression.startswith("Bundle.entry["):
        return issue
    return replace(
        issue, message=f"Entry {index}: {issue.message}", place=replace(issue.place, expression=at)
    )
