"""Resources that come with the matches: ``_include`` and ``_revinclude`` (FHIR R4 search.html)."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from service.errors import Forbidden, InvalidInput, Issue, Place
from service.fhir.json import Tree, reread
from service.fhir.search_keys import referred
from service.fhir.search_parameters import Parameter, parameters, stored_types
from service.fhir.search_query import Clause, ReferenceValue, UriValue
from service.interactions.context import Context
from service.interactions.security_context import visible
from service.store.audit import AUDIT
from service.store.contract import Query, Store, Transaction, Version

__all__ = ["MOST", "MOST_BYTES", "Include", "gather", "offered", "read_include"]

MOST = 1_000
"""Resources that may come with one page."""
MOST_BYTES = 10_000_000
"""Of the matches of one page, and of what comes with it."""
_ROUNDS = 8
_ALONE = frozenset({AUDIT})
"""Types with whose matches nothing comes along."""


@dataclass(frozen=True, slots=True)
class Include:
    """One ``_include`` or ``_revinclude``: whose reference is followed, which one, and where it leads.

    ``type`` and ``parameter`` are ``*`` for all; ``target`` is empty for any. ``iterate`` is applied to what
    was included before as well.
    """

    reverse: bool
    type: str
    parameter: str
    target: str = ""
    iterate: bool = False


def offered(type_: str, *, reverse: bool = False) -> list[str]:
    """Answer what ``_include`` may name where a type is searched (``reverse``: ``_revinclude``)."""
    if type_ in _ALONE:
        return []
    named = [
        f"{source}:{one.name}"
        for source in (stored_types() if reverse else (type_,))
        for one in parameters(source).values()
        if one.kind == "reference" and (not reverse or type_ in one.targets)
    ]
    return ["*", *named]


def read_include(name: str, value: str, types: Sequence[str]) -> Include:
    """Read one parameter of a search on ``types``; InvalidInput if it can't be used."""
    stem, _, modifier = name.partition(":")
    type_, *rest = value.split(":") if value != "*" else ("*", "*")
    if alone := next((one for one in types if one in _ALONE), ""):
        raise _refused(name, f"nothing comes along with resources of type {alone}")
    if modifier not in {"", "iterate"}:
        raise _refused(name, f"the modifier ':{modifier[:32]}' is not supported here")
    if len(rest) not in {1, 2}:
        raise _refused(name, "it is written Type:parameter, Type:parameter:Target or *")
    target = rest[1] if len(rest) > 1 else ""
    include = Include(stem == "_revinclude", type_, rest[0], target, iterate=bool(modifier))
    problem = _problem(include, types)
    if problem:
        raise _refused(name, problem)
    return include


def _refused(name: str, why: str) -> InvalidInput:
    text = f"Search parameter '{name[:64]}': {why}."
    return InvalidInput(Issue(text, place=Place(expression=f"http.{name.partition(':')[0]}")))


def _problem(include: Include, types: Sequence[str]) -> str:
    """Half a sentence that says why it can't be followed, empty if it can."""
    for type_ in (include.type, include.target):
        if type_ not in {"*", "", *stored_types()}:
            return f"'{type_[:64]}' is not a resource type this service stores"
    if include.type == "*":
        return ""
    if not include.reverse and not include.iterate and include.type not in types:
        return f"{include.type} is not what is searched; use _include:iterate for what is included"
    found = parameters(include.type).get(include.parameter)
    if include.parameter != "*" and (found is None or found.kind != "reference"):
        return f"'{include.parameter[:64]}' is not a reference parameter of {include.type}"
    if include.target and found is not None and include.target not in found.targets:
        return f"{include.type}:{include.parameter} does not refer to {include.target}"
    return ""


@dataclass(slots=True)
class _Gathered:
    """What was found, and whether all of it could be taken."""

    store: Store | Transaction
    context: Context
    seen: set[str]
    found: list[Version] = field(default_factory=list)
    complete: bool = True
    size: int = 0

    def may(self, action: str, type_: str) -> bool:
        try:
            self.context.allow("s" if action == "s" else "r", type_)
        except Forbidden:
            return False
        return True

    def add(self, versions: Iterable[Version]) -> list[Version]:
        new: list[Version] = []
        for version in visible(versions, context=self.context):
            name = f"{version.type}/{version.id}"
            if name in self.seen or version.deleted:
                continue
            if len(self.found) >= MOST or self.size + len(version.content) > MOST_BYTES:
                self.complete = False
                break
            self.size += len(version.content)
            self.seen.add(name)
            self.found.append(version)
            new.append(version)
        return new


async def gather(
    store: Store | Transaction, matches: Sequence[Version], includes: Sequence[Include], *, context: Context
) -> tuple[list[Version], bool]:
    """Answer what comes with the matches, each once and no match again, and whether that is all of it.

    Types the caller may not read are left out; one that is named in the request itself raises Forbidden.
    """
    for include in includes:
        if include.reverse and include.type != "*":
            context.allow("s", include.type)
        if include.target:
            context.allow("r", include.target)
    gathered = _Gathered(store, context, {f"{one.type}/{one.id}" for one in matches})
    fresh = list(matches)
    for round_ in range(_ROUNDS):
        new: list[Version] = []
        for include in includes:
            if round_ == 0 or include.iterate:
                step = _behind if include.reverse else _ahead
                new += gathered.add(await step(gathered, include, fresh))
        fresh = new
        if not fresh:
            return gathered.found, gathered.complete
    return gathered.found, gathered.complete and not any(include.iterate for include in includes)


async def _ahead(gathered: _Gathered, include: Include, sources: Sequence[Version]) -> list[Version]:
    """What the sources refer to."""
    found: list[Version] = []
    for source in sources:
        if include.type not in {"*", source.type}:
            continue
        tree = reread(source.content)
        for parameter in _references(source.type, include.parameter):
            found += await _targets(gathered, include, parameter, tree)
    return found


async def _targets(gathered: _Gathered, include: Include, parameter: Parameter, tree: Tree) -> list[Version]:
    found: list[Version] = []
    for target in referred(tree, parameter, base=gathered.context.base):
        type_, _, id_ = target.partition("/")
        if type_ in stored_types():
            if include.target in {"", type_} and target not in gathered.seen and gathered.may("r", type_):
                version = await gathered.store.read(type_, id_)
                found += [version] if version is not None else []
        else:
            found += await _definitions(gathered, include, parameter, target)
    return found


async def _definitions(
    gathered: _Gathered, include: Include, parameter: Parameter, url: str
) -> list[Version]:
    """What a canonical address names, by ``url``."""
    found: list[Version] = []
    for type_ in [include.target] if include.target else parameter.targets:
        named = parameters(type_).get("url") if type_ in stored_types() else None
        if named is not None and named.kind == "uri" and gathered.may("r", type_):
            clause = Clause(named.indexes, "uri", (UriValue(url),), "", named.wide)
            found += (await gathered.store.search(Query(type_, (clause,), count=10, total="none"))).versions
    return found


async def _behind(gathered: _Gathered, include: Include, targets: Sequence[Version]) -> list[Version]:
    """What refers to the targets."""
    names = [f"{one.type}/{one.id}" for one in targets if include.target in {"", one.type}]
    types = (
        [include.type] if include.type != "*" else [one for one in stored_types() if gathered.may("s", one)]
    )
    listed = [(type_, one) for type_ in types for one in _references(type_, include.parameter)]
    if not names or not listed:
        return []
    indexes = tuple(dict.fromkeys(index for _, one in listed for index in one.indexes))
    first, *also = dict.fromkeys(type_ for type_, _ in listed)
    clause = Clause(indexes, "reference", (ReferenceValue(tuple(names)),))
    query = Query(first, (clause,), count=MOST, total="none", also=tuple(also))
    page = await gathered.store.search(query)
    if page.next_after is not None:
        gathered.complete = False
    return list(page.versions)


def _references(type_: str, name: str) -> list[Parameter]:
    table = parameters(type_)
    if name != "*":
        return [table[name]] if name in table else []
    return [one for one in table.values() if one.kind == "reference" and one.filed]
