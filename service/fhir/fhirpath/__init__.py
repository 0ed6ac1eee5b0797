"""FHIRPath 2.0.0 on FHIR R4: expressions are read once into functions over JSON trees.

A collection is a list; an item is an element (``nodes.Node``, which knows its type and place) or one of
FHIRPath's own values. Nothing is fetched, printed or changed by an evaluation.
"""

from collections.abc import Callable
from functools import lru_cache
from typing import Any

from service.fhir.elements import elements, is_primitive
from service.fhir.fhirpath import functions_collections, functions_fhir, functions_text, functions_values
from service.fhir.fhirpath.context import Context, Environment
from service.fhir.fhirpath.evaluation import Functions, compile_term
from service.fhir.fhirpath.nodes import Node, Steps, node_of
from service.fhir.fhirpath.syntax import parse
from service.fhir.fhirpath.values import Quantity, Temporal
from service.fhir.json import Tree

__all__ = ["Expression", "Steps", "compiled", "type_at"]

_LONGEST = 2_000
_FUNCTIONS = {
    **functions_collections.FUNCTIONS,
    **functions_fhir.FUNCTIONS,
    **functions_text.FUNCTIONS,
    **functions_values.FUNCTIONS,
}


class Expression:
    """A FHIRPath expression, ready to be evaluated on resources of R4."""

    def __init__(self, text: str, more: Functions | None = None) -> None:
        """ValueError says why ``text`` is no expression. ``more`` are functions besides the usual ones."""
        if len(text) > _LONGEST:
            raise ValueError(f"it is longer than {_LONGEST} characters")
        try:
            parsed = parse(text)
            self._evaluate = compile_term(parsed.term, {**_FUNCTIONS, **(more or {})})
        except RecursionError:
            raise ValueError("it nests too deep") from None
        self.term = parsed.term
        self.functions = parsed.functions
        self.variables = parsed.variables

    def values(self, tree: Any, variables: Tree | None = None) -> list[Any]:
        """What the expression answers for a resource: JSON as Python has it.

        Dates and times are text, quantities written as FHIRPath does. ValueError if it can't be evaluated.
        """
        return _answered(self._items(node_of(tree), tree, variables))

    def at(
        self,
        value: Any,
        type_: str,
        extra: Tree | None = None,
        *,
        variables: Tree | None = None,
        resolve: Callable[[str], Tree | None] | None = None,
    ) -> list[Any]:
        """What the expression answers for an element; ValueError if it can't be evaluated.

        ``type_`` is its type's name or, for a part, its path (``Observation.component``), ``extra`` the id
        and extensions of a primitive. ``resolve`` answers the resource that a reference leads to; without it
        only those in ``%rootResource`` are found.
        """
        return _answered(self._items(Node(value, type_, None, extra), value, variables, resolve))

    def items(self, item: Node, resource: Tree, variables: Tree) -> list[Any]:
        """What the expression finds from an element of a resource on: elements, and FHIRPath's own values.

        ValueError if it can't be evaluated.
        """
        return self._items(item, resource, variables)

    def places(self, tree: Tree) -> list[Steps] | None:
        """Where in the tree the elements stand that the expression finds, each once.

        None if one of them is no element of the tree. The value of a primitive and its extensions are one
        element, under the name without underscore.
        """
        found = self._items(node_of(tree, place=()), tree, None)
        places = [item.place if isinstance(item, Node) else None for item in found]
        return None if None in places else list(dict.fromkeys(place for place in places if place is not None))

    def _items(
        self,
        root: Any,
        tree: Any,
        variables: Tree | None,
        resolve: Callable[[str], Tree | None] | None = None,
    ) -> list[Any]:
        known = {"context": tree, "resource": tree, "rootResource": tree, **(variables or {})}
        if isinstance(root, Node):
            known["context"] = root
        try:
            return self._evaluate(Context([root], Environment(known, resolve)))
        except RecursionError:
            raise ValueError("it nests too deep") from None
        except ValueError as error:
            raise ValueError(f"it can't be evaluated: {str(error)[:200]}") from None
        except (TypeError, AttributeError, LookupError, ArithmeticError) as error:  # a tree that is no FHIR
            raise ValueError(f"it can't be evaluated: {type(error).__name__}") from None


def _answered(found: list[Any]) -> list[Any]:
    return [_plain(item) for item in found if not isinstance(item, Node) or item.data is not None]


def _plain(item: Any) -> Any:
    if isinstance(item, Node):
        return item.data
    if isinstance(item, Temporal):
        return f"T{item}" if item.kind == "Time" else str(item)
    return str(item) if isinstance(item, Quantity) else item


@lru_cache(maxsize=512)
def compiled(text: str) -> Expression:
    """Answer the expression, compiled once; ValueError says why ``text`` is none."""
    return Expression(text)


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
