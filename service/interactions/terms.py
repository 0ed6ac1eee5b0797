"""Code systems, value sets and concept maps by canonical address: stored ones first, then those that ship.

What is stored is read before anything is judged, so that judging itself needs no store.
"""

from collections.abc import Iterable
from functools import lru_cache

from service.errors import TooManyCodes
from service.fhir.code_systems import CodeSystem, shipped_code_system
from service.fhir.json import Tree, reread
from service.fhir.search_parameters import parameters
from service.fhir.search_query import Clause, TokenValue, UriValue
from service.fhir.terminology_files import own, own_by_url
from service.fhir.value_sets import shipped_value_set
from service.interactions.read import there
from service.store.contract import Query, Store, Transaction, Version
from service.terminology.licensed import Licence, licensed

__all__ = ["Terms", "stored_under"]

_MOST = 100  # stored definitions read for one request


class Terms:
    """The source of one request (``composition.Source``)."""

    def __init__(self, store: Store | Transaction, licence: Licence = "all") -> None:
        """Begin with nothing read."""
        self._store = store
        self._licence = licence
        self._stored: dict[tuple[str, str], bytes | None] = {}

    def code_system(self, url: str, /) -> CodeSystem | None:
        """The code system of a URL, as far as it was prepared."""
        text = self._stored.get(("CodeSystem", url))
        if text is not None:
            return _code_system(text)
        shipped = shipped_code_system(url)
        if shipped is None or not shipped.supplement or self._licence == "all":
            return shipped
        return CodeSystem(licensed(shipped.tree, self._licence))

    def value_set(self, canonical: str, /) -> Tree | None:
        """The value set of a canonical address, as far as it was prepared."""
        text = self._stored.get(("ValueSet", canonical))
        if text is not None:
            return reread(text)
        url, _, version = canonical.partition("|")
        shipped = shipped_value_set(url)
        return shipped if shipped and version in {"", shipped.get("version")} else None

    def concept_map(self, canonical: str) -> Tree | None:
        """The concept map of a canonical address, as far as it was prepared."""
        text = self._stored.get(("ConceptMap", canonical))
        if text is not None:
            return reread(text)
        url, _, version = canonical.partition("|")
        id_ = own_by_url("ConceptMap").get(url)
        tree = licensed(reread(own("ConceptMap")[id_]), self._licence) if id_ else None
        return tree if tree and version in {"", tree["version"]} else None

    async def by_id(self, type_: str, id_: str) -> Tree:
        """Answer one of ours, or a stored resource; NotFound or Gone if there is none."""
        if id_ in own(type_):
            return licensed(reread(own(type_)[id_]), self._licence)
        return reread(there(await self._store.read(type_, id_), f"{type_}/{id_[:64]}").content)

    async def find(self, type_: str, canonical: str) -> None:
        """Read what is stored under a canonical address, if anything is: the newest that is active."""
        if (type_, canonical) in self._stored:
            return
        if len(self._stored) >= _MOST:
            raise TooManyCodes(f"More than {_MOST} code systems and value sets are needed for this.")
        self._stored[type_, canonical] = None
        url, _, wanted = canonical.partition("|")
        found = [
            (version, reread(version.content)) for version in await stored_under(self._store, type_, url)
        ]
        fitting = [
            (tree.get("status") == "active", version.sequence, version.content)
            for version, tree in found
            if wanted in {"", tree.get("version")} and tree.get("content") != "supplement"
        ]
        if fitting:
            self._stored[type_, canonical] = max(fitting)[2]

    async def maps_of(self, code: str, *, back: bool) -> list[Tree]:
        """Answer the active concept maps that map a code, stored ones first; ``back``: that map to it."""
        parameter = parameters("ConceptMap")["target-code" if back else "source-code"]
        clause = Clause(parameter.indexes, "token", (TokenValue(None, code),), "", parameter.wide)
        page = await self._store.search(Query("ConceptMap", (clause,), count=50, total="none"))
        stored = [reread(version.content) for version in page.versions]
        ours = [tree for url in own_by_url("ConceptMap") if (tree := self.concept_map(url))]
        return [*(tree for tree in stored if tree.get("status") == "active"), *ours]

    async def prepare(self, value_set: Tree) -> None:
        """Read all that is stored of what a value set is made of, level by level."""
        waiting = [value_set]
        seen: set[str] = set()
        while waiting:
            systems = {one["system"] for tree in waiting for one in _parts(tree) if "system" in one}
            addresses = {
                to
                for tree in waiting
                for one in _parts(tree)
                for to in one.get("valueSet", ())
                if to is not None
            }
            for system in sorted(systems):
                await self.find("CodeSystem", system)
            for address in sorted(addresses - seen):
                await self.find("ValueSet", address)
            waiting = [tree for one in sorted(addresses - seen) if (tree := self.value_set(one))]
            seen |= addresses


async def stored_under(store: Store | Transaction, type_: str, url: str) -> tuple[Version, ...]:
    """Answer the stored definitions of a canonical address, whatever their version."""
    parameter = parameters(type_)["url"]
    clause = Clause(parameter.indexes, "uri", (UriValue(url),), "", parameter.wide)
    return (await store.search(Query(type_, (clause,), count=50, total="none"))).versions


def _parts(value_set: Tree) -> Iterable[Tree]:
    compose = value_set.get("compose", {})
    yield from (*compose.get("include", ()), *compose.get("exclude", ()))
    nodes = value_set.get("expansion", {}).get("contains", ())
    yield from ({"system": one} for one in sorted({node["system"] for node in nodes if "system" in node}))


@lru_cache(maxsize=8)
def _code_system(text: bytes) -> CodeSystem:
    """A stored one, read once while its text stays the same."""
    return CodeSystem(reread(text))
