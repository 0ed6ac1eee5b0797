"""Code systems, value sets, concept maps and forms by canonical address: stored ones first, then all others.

What is stored is read before anything is judged, so that judging itself needs no store.
"""

from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import ParamSpec, TypeVar

from service.errors import NotKnownHere, TooManyCodes
from service.fhir.code_systems import CodeSystem
from service.fhir.forms import shipped_forms
from service.fhir.implicit_value_sets import implicit_value_set
from service.fhir.json import Tree, reread
from service.fhir.search_parameters import parameters
from service.fhir.search_query import Clause, TokenValue, UriValue
from service.fhir.terminology_files import own, own_by_url
from service.interactions.aside import aside
from service.interactions.context import Context
from service.interactions.elsewhere import Elsewhere
from service.interactions.read import there
from service.store.beside import FIRST_SEQUENCE
from service.store.contract import Page, Query, Store, Transaction, Version
from service.terminology.licensed import licensed

__all__ = ["Terms"]

P = ParamSpec("P")
T = TypeVar("T")

_ROUNDS = 4  # of asking elsewhere: one answer may lead to another question
_MOST = 100  # stored definitions read for one request
_MOST_VERSIONS = 1_000


class Terms:
    """The source of one request (``composition.Source``).

    Of several stored under one address the newest active one counts, else the newest.
    """

    def __init__(self, store: Store | Transaction, context: Context) -> None:
        """Begin with nothing read."""
        self._store = store
        self._definitions = context.definitions
        self._licence = context.licence
        self._lists = context.code_lists
        self.elsewhere = Elsewhere(context.elsewhere)
        self._stored: dict[tuple[str, str], bytes | None] = {}

    def code_system(self, url: str, /) -> CodeSystem | None:
        """The code system of a URL, as far as it was prepared."""
        text = self._stored.get(("CodeSystem", url))
        if text is not None:
            return _code_system(text)
        known = self._lists.code_system(url) or self._definitions.code_system(url)
        if known is None or not known.supplement or self._licence == "all":
            return known
        return CodeSystem(licensed(known.tree, self._licence))

    def value_set(self, canonical: str, /) -> Tree | None:
        """The value set of a canonical address, as far as it was prepared."""
        url = canonical.partition("|")[0]
        return (
            self._found("ValueSet", canonical)
            or self._lists.value_set(canonical)
            or _of_version(self._definitions.value_set(canonical), canonical)
            or self.elsewhere.value_set(canonical)
            or _of_version(implicit_value_set(url), canonical)
        )

    def concept_map(self, canonical: str) -> Tree | None:
        """The concept map of a canonical address, as far as it was prepared."""
        if tree := self._found("ConceptMap", canonical):
            return tree
        id_ = own_by_url("ConceptMap").get(canonical.partition("|")[0])
        tree = licensed(reread(own("ConceptMap")[id_]), self._licence) if id_ else None
        return _of_version(tree, canonical)

    def form(self, canonical: str) -> Tree | None:
        """The Questionnaire of a canonical address, as far as it was prepared."""
        known = shipped_forms().get(canonical.partition("|")[0])
        return (
            self._found("Questionnaire", canonical)
            or self._definitions.form(canonical)
            or _of_version(known, canonical)
        )

    async def by_id(self, type_: str, id_: str) -> Tree:
        """Answer one of ours, or a stored resource; NotFound or Gone if there is none."""
        if id_ in own(type_):
            return licensed(reread(own(type_)[id_]), self._licence)
        return reread(there(await self._store.read(type_, id_), f"{type_}/{id_[:64]}").content)

    async def stored(self, type_: str, id_: str) -> Tree | None:
        """Answer a stored resource, None if there is none."""
        version = await self._store.read(type_, id_)
        return reread(version.content) if version is not None and not version.deleted else None

    async def find(self, type_: str, *canonicals: str) -> None:
        """Read what is stored under canonical addresses, if anything is."""
        asked = [one for one in dict.fromkeys(canonicals) if one and (type_, one) not in self._stored]
        if len(self._stored) + len(asked) > _MOST:
            raise TooManyCodes(f"More than {_MOST} code systems and value sets are needed for this.")
        if not asked:
            return
        found = await self._under(type_, {one.partition("|")[0] for one in asked})
        for canonical in asked:
            self._stored[type_, canonical] = _best(found, canonical)

    async def maps_of(self, code: str, *, back: bool) -> list[Tree]:
        """Answer the active concept maps that map a code, stored ones first; ``back``: that map to it."""
        parameter = parameters("ConceptMap")["target-code" if back else "source-code"]
        clause = Clause(parameter.indexes, "token", (TokenValue(None, code),), "", parameter.wide)
        page = await self._store.search(Query("ConceptMap", (clause,), count=50, total="none"))
        stored = [reread(version.content) for version in _written(page)]
        ours = [tree for url in own_by_url("ConceptMap") if (tree := self.concept_map(url))]
        return [*(tree for tree in stored if tree.get("status") == "active"), *ours]

    async def prepare(self, *value_sets: Tree) -> None:
        """Read all that is stored of what value sets are made of, level by level."""
        waiting = list(value_sets)
        seen: set[str] = set()
        while waiting:
            parts = [one for tree in waiting for one in _parts(tree)]
            named = (to for one in parts for to in one.get("valueSet", ()) if to is not None)
            addresses = sorted(set(named) - seen)
            await self.find("CodeSystem", *(one["system"] for one in parts if "system" in one))
            await self.find("ValueSet", *addresses)
            waiting = [tree for one in addresses if (tree := self.value_set(one))]
            seen.update(addresses)

    async def settled(self, judge: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
        """Judge; what can't be told is asked of the site's terminology server, and then judged again.

        NotKnownHere if that does not know either.
        """
        for _ in range(_ROUNDS):
            try:
                return await aside(judge, *arguments, **named)
            except NotKnownHere:
                if not await self.elsewhere.ask():
                    raise
        return await aside(judge, *arguments, **named)

    def _found(self, type_: str, canonical: str) -> Tree | None:
        text = self._stored.get((type_, canonical))
        return None if text is None else reread(text)

    async def _under(self, type_: str, urls: Iterable[str]) -> list[tuple[Tree, int, bytes]]:
        """Everything stored under these URLs, each with its place in the order of writing and its text."""
        parameter = parameters(type_)["url"]
        values = tuple(UriValue(url) for url in sorted(urls))
        clause = Clause(parameter.indexes, "uri", values, "", parameter.wide)
        page = await self._store.search(Query(type_, (clause,), count=_MOST_VERSIONS, total="none"))
        return [(reread(one.content), one.sequence, one.content) for one in _written(page)]


def _written(page: Page) -> Iterable[Version]:
    """Without what travels with the program: that comes after what is stored and what guides define."""
    return (version for version in page.versions if version.sequence < FIRST_SEQUENCE)


def _best(found: Iterable[tuple[Tree, int, bytes]], canonical: str) -> bytes | None:
    url, _, version = canonical.partition("|")
    fitting = [
        (tree.get("status") == "active", sequence, text)
        for tree, sequence, text in found
        if tree.get("url") == url
        and version in {"", tree.get("version")}
        and tree.get("content") != "supplement"
    ]
    return max(fitting)[2] if fitting else None


def _of_version(tree: Tree | None, canonical: str) -> Tree | None:
    """The definition, if it is of the version that the address names."""
    version = canonical.partition("|")[2]
    return tree if tree is not None and version in {"", tree.get("version")} else None


def _parts(value_set: Tree) -> Iterable[Tree]:
    compose = value_set.get("compose", {})
    yield from (*compose.get("include", ()), *compose.get("exclude", ()))
    nodes = value_set.get("expansion", {}).get("contains", ())
    yield from ({"system": one} for one in sorted({node["system"] for node in nodes if "system" in node}))


@lru_cache(maxsize=8)
def _code_system(text: bytes) -> CodeSystem:
    """A stored one, read once while its text stays the same."""
    return CodeSystem(reread(text))
