"""What only another terminology server may know: questions of codes, and what its answers are worth.

Its "no" counts only about code systems that it says it has: many answer "no" for what they do not know.
"""

import asyncio
from collections.abc import Awaitable, Callable, Iterable

from service.fhir.composition import Question
from service.fhir.json import Tree
from service.fhir.three_valued import Holds

__all__ = ["Ask", "Elsewhere", "outcome_of"]

Ask = Callable[[str, tuple[tuple[str, str], ...]], Awaitable[Tree | None]]
"""Answers what another server says to a path and its parameters; None if it does not know or answer."""

_MOST = 100
_WIDER = frozenset({"equivalent", "subsumes"})
_NOT_WIDER = frozenset({"subsumed-by", "not-subsumed"})
_PARTIAL = "http://hl7.org/fhir/StructureDefinition/valueset-unclosed"


class Elsewhere:
    """The answers that one request got. Without a server (``ask`` is None) there are none."""

    def __init__(self, ask: Ask | None) -> None:
        """Begin with nothing asked."""
        self._ask = ask
        self._told: dict[Question, Holds] = {}
        self._open: dict[Question, None] = {}
        self._displays: dict[tuple[str, str], str] = {}
        self._value_sets: dict[str, Tree | None] = {}

    @property
    def there(self) -> bool:
        """Whether there is a server to ask."""
        return self._ask is not None

    def told(self, question: Question) -> Holds:
        """What was answered; a question not asked yet is kept for the next ``ask``."""
        if question not in self._told and len(self._told) + len(self._open) < _MOST:
            self._open[question] = None
        return self._told.get(question)

    def display(self, system: str, code: str) -> str:
        """What the server shows for a code, empty if it was not asked about it."""
        return self._displays.get((system, code), "")

    def value_set(self, address: str) -> Tree | None:
        """A value set with all its codes, as far as it was fetched."""
        return self._value_sets.get(address)

    async def ask(self) -> bool:
        """Ask everything that is open; whether more is known than before."""
        asked = tuple(self._open)
        self._open.clear()
        if self._ask is None or not asked:
            return False
        answers = await asyncio.gather(*map(self._answer, asked))
        self._told |= zip(asked, answers, strict=True)
        return any(one is not None for one in answers)

    async def fetch(self, addresses: Iterable[str]) -> bool:
        """Fetch value sets with all their codes; whether there is one that was not there before."""
        asked = [one for one in addresses if one not in self._value_sets][:_MOST]
        trees = await asyncio.gather(*map(self._expansion, asked))
        self._value_sets |= zip(asked, trees, strict=True)
        return any(tree is not None for tree in trees)

    async def parameters(self, path: str, *query: tuple[str, str]) -> Tree | None:
        """Answer the Parameters that an operation answers there, None if it does not."""
        if self._ask is None:
            return None
        answer = await self._ask(path, tuple((name, value) for name, value in query if value))
        fits = answer is not None and answer.get("resourceType") == "Parameters"
        return answer if fits and isinstance(_listed(answer, "parameter"), list) else None

    async def _answer(self, question: Question) -> Holds:
        system, code = question.system, question.code
        match question.kind:
            case "has":
                told = await self.parameters("CodeSystem/$validate-code", ("url", system), ("code", code))
                said = _value(told, "result", "valueBoolean")
            case "is-a":
                pair = ("codeA", question.of), ("codeB", code)
                told = await self.parameters("CodeSystem/$subsumes", ("system", system), *pair)
                outcome = outcome_of(told)
                said = True if outcome in _WIDER else False if outcome in _NOT_WIDER else None
            case _:
                url, _, version = question.of.partition("|")
                where = ("url", url), ("valueSetVersion", version)
                path = "ValueSet/$validate-code"
                told = await self.parameters(path, *where, ("system", system), ("code", code))
                said = _value(told, "result", "valueBoolean")
        display = _value(told, "display", "valueString")
        if said is True and isinstance(display, str):
            self._displays[system, code] = display
        if said is False and not await self._has_system(system):
            return None
        return said if isinstance(said, bool) else None

    async def _has_system(self, url: str) -> bool:
        tree = await self._ask("metadata", (("mode", "terminology"),)) if self._ask is not None else None
        return url in {one.get("uri") for one in _listed(tree, "codeSystem") if isinstance(one, dict)}

    async def _expansion(self, address: str) -> Tree | None:
        if self._ask is None:
            return None
        url, _, version = address.partition("|")
        query = (("url", url), *((("valueSetVersion", version),) if version else ()))
        tree = await self._ask("ValueSet/$expand", query)
        expansion = tree.get("expansion") if tree is not None else None
        if tree is None or not isinstance(expansion, dict):
            return None
        contains = _listed(expansion, "contains")
        partial = any(one.get("url") == _PARTIAL for one in _listed(expansion, "extension"))
        if partial or expansion.get("total", len(contains)) != len(contains):
            return None
        return {name: value for name, value in tree.items() if name not in {"id", "meta", "text", "compose"}}


def outcome_of(told: Tree | None) -> str:
    """The outcome that ``$subsumes`` answered, empty if it is none."""
    outcome = _value(told, "outcome", "valueCode")
    return outcome if isinstance(outcome, str) and outcome in {*_WIDER, *_NOT_WIDER} else ""


def _value(tree: Tree | None, name: str, kind: str) -> object:
    found = (
        one.get(kind)
        for one in _listed(tree, "parameter")
        if isinstance(one, dict) and one.get("name") == name
    )
    return next(found, None)


def _listed(tree: Tree | None, name: str) -> list[Tree]:
    found = tree.get(name) if tree is not None else None
    return found if isinstance(found, list) else []
