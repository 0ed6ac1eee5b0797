"""FHIRPath, by ``fhirpathpy``: the one file that knows it.

What the library leaves open is settled here: text that is no expression is refused (its parser skips what it
does not understand), ``trace()`` prints nothing, an expression is compiled once, and the places of what is
found are known.
"""

from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal
from functools import lru_cache
from typing import Any, cast

import fhirpathpy
from antlr4 import CommonTokenStream, InputStream, ParseTreeWalker, Token
from antlr4.error.ErrorListener import ErrorListener
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models
from fhirpathpy.parser.ASTPathListener import ASTPathListener
from fhirpathpy.parser.generated.FHIRPathLexer import FHIRPathLexer
from fhirpathpy.parser.generated.FHIRPathParser import FHIRPathParser

from service.fhir.elements import elements, is_primitive
from service.fhir.json import Tree

__all__ = ["Expression", "Steps", "compiled", "type_at"]

Steps = tuple[str | int, ...]
"""Where something stands in a tree: names and numbers, ``("name", 0, "given", 1)``."""

_LONGEST = 2_000
_ARITY = {0: [], 1: ["String"]}


class _Strict(ErrorListener):  # type: ignore[misc] # the library has no types
    def syntaxError(self, *told: Any) -> None:  # noqa: N802 - the library's name
        _recognizer, _symbol, line, column, *_ = told
        raise ValueError(f"it can't be read from character {column + 1} of line {line}")


class Expression:
    """A FHIRPath expression, ready to be evaluated on resources of R4."""

    def __init__(self, text: str) -> None:
        """ValueError says why ``text`` is no expression."""
        if len(text) > _LONGEST:
            raise ValueError(f"it is longer than {_LONGEST} characters")
        try:
            self._ast = _parsed(text)
        except RecursionError:
            raise ValueError("it nests too deep") from None
        self.functions = frozenset(_named(self._ast, "Functn"))
        self.variables = frozenset(_named(self._ast, "ExternalConstant"))

    def values(self, tree: Any, variables: dict[str, Any] | None = None) -> list[Any]:
        """What the expression answers for a resource; ValueError if it can't be evaluated."""
        return cast("list[Any]", self._evaluated(tree, variables, raw=False))

    def at(
        self,
        value: Any,
        type_: str,
        extra: Tree | None = None,
        *,
        variables: dict[str, Any] | None = None,
        functions: Mapping[str, Callable[..., Any]] | None = None,
    ) -> list[Any]:
        """What the expression answers for an element; ValueError if it can't be evaluated.

        ``type_`` is its type's name or, for a part, its path (``Observation.component``), ``extra`` the id
        and extensions of a primitive. ``functions`` take the values they are called on, and answer a list.
        """
        node = ResourceNode.create_node(value, type_, extra)
        return cast("list[Any]", self._evaluated(node, variables, raw=False, functions=functions))

    def places(self, tree: Tree) -> list[Steps] | None:
        """Where in the tree the elements stand that the expression finds, each once.

        None if one of them is no element of the tree. The value of a primitive and its extensions are one
        element, under the name without underscore.
        """
        marked = _Marked(tree)
        found = [marked.place(node) for node in self._evaluated(marked.root, None, raw=True)]
        if any(place is None for place in found):
            return None
        return list(dict.fromkeys(cast("list[Steps]", found)))

    def _evaluated(
        self,
        tree: Any,
        variables: dict[str, Any] | None,
        *,
        raw: bool,
        functions: Mapping[str, Callable[..., Any]] | None = None,
    ) -> Any:
        own = {name: {"fn": function, "arity": _ARITY} for name, function in (functions or {}).items()}
        options = {"returnRawData": raw, "traceFn": lambda *_: None, "userInvocationTable": own}
        try:
            return fhirpathpy.apply_parsed_path(tree, self._ast, variables or {}, models["r4"], options)
        except RecursionError:
            raise ValueError("it nests too deep") from None
        except Exception as error:  # noqa: BLE001 - the library raises whatever its own code runs into
            raise ValueError(f"it can't be evaluated: {str(error)[:200] or type(error).__name__}") from None


@lru_cache(maxsize=512)
def compiled(text: str) -> Expression:
    """Answer the expression, compiled once; ValueError says why ``text`` is none."""
    return Expression(text)


def _parsed(text: str) -> Any:
    lexer = FHIRPathLexer(InputStream(text))
    parser = FHIRPathParser(CommonTokenStream(lexer))
    for reader in (lexer, parser):
        reader.removeErrorListeners()
        reader.addErrorListener(_Strict())
    read = parser.expression()
    if parser.getCurrentToken().type != Token.EOF:
        raise ValueError(f"it can't be read from character {parser.getCurrentToken().column + 1} on")
    listener = ASTPathListener()
    ParseTreeWalker().walk(listener, read)
    return listener.parentStack[0]


def _named(node: Any, kind: str) -> Iterator[str]:
    """The names of all functions (or variables) used."""
    children = node.get("children", ())
    if node.get("type") == kind:
        yield children[0]["text"] if children else ""
    for child in children:
        yield from _named(child, kind)


class _Text(str):
    __slots__ = ("place",)
    place: Steps


class _Whole(int):
    place: Steps


class _Exact(Decimal):
    place: Steps


class _Marked:
    """A copy of a tree in which every object and value knows its place, but for true and false."""

    def __init__(self, tree: Tree) -> None:
        self._places: dict[int, Steps] = {}
        self.root = self._copy(tree, ())

    def place(self, node: Any) -> Steps | None:
        """Where a node of the answer stands; None if it is no part of the tree."""
        data = getattr(node, "data", node)
        if isinstance(data, dict):
            found = self._places.get(id(data))
        elif isinstance(data, bool):
            found = self._walked(getattr(node, "propName", None) or "")
        else:
            found = getattr(data, "place", None)
        return _without_underscore(found) if found is not None else None

    def _copy(self, node: Any, at: Steps) -> Any:
        if isinstance(node, dict):
            copy = {name: self._copy(value, (*at, name)) for name, value in node.items()}
            self._places[id(copy)] = at
            return copy
        if isinstance(node, list):
            return [self._copy(value, (*at, place)) for place, value in enumerate(node)]
        kinds = {str: _Text, int: _Whole}
        kind = _Exact if isinstance(node, Decimal) else kinds.get(type(node))
        if kind is None:
            return node
        marked = kind(node)
        marked.place = at
        return marked

    def _walked(self, path: str) -> Steps | None:
        """The place the library's own account of the way names (``Patient.contact[0].active``)."""
        node: Any = self.root
        steps: list[str | int] = []
        for step in path.split(".")[1:]:
            name, _, index = step.removesuffix("]").partition("[")
            name = self._written(node, tuple(steps), name)
            if not isinstance(node, dict) or name not in node:
                return None
            node, steps = node[name], [*steps, name]
            if index:
                node, steps = node[int(index)], [*steps, int(index)]
        return tuple(steps) if steps and isinstance(node, bool) else None

    def _written(self, node: Any, at: Steps, name: str) -> str:
        """The name of an element in JSON: a choice carries its type."""
        if not isinstance(node, dict) or name in node:
            return name
        table = elements(type_at(self.root, at))
        return next((own for own in node if own in table and table[own].choice == name), name)


def type_at(tree: Tree, place: Steps) -> str:
    """The type of what stands at ``place``, empty if R4 has nothing there."""
    type_ = str(tree.get("resourceType", ""))
    node: Any = tree
    for step in place:
        node = node.get(step, {}) if isinstance(node, dict) else node[step]
        if isinstance(step, str):
            element = elements("Element" if is_primitive(type_) else type_).get(step.removeprefix("_"))
            type_ = element.type if element else ""
        if isinstance(node, dict) and type_ == "Resource":
            type_ = str(node.get("resourceType", ""))
    return type_


def _without_underscore(place: Steps) -> Steps:
    *before, last = place or ("",)
    if isinstance(last, str):
        return (*before, last.removeprefix("_")) if place else ()
    if before and isinstance(before[-1], str):
        return (*before[:-1], before[-1].removeprefix("_"), last)
    return place
