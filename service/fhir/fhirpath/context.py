"""What an expression is evaluated with."""

from collections.abc import Callable
from typing import Any

from service.fhir.fhirpath.values import CannotError

__all__ = ["Context", "Environment"]

_MOST_STEPS = 500_000  # a few seconds; no rule about a resource comes near


class Environment:
    """What stays the same in one evaluation: the variables, what references lead to, the work left."""

    __slots__ = ("_left", "resolve", "variables")

    def __init__(self, variables: dict[str, Any], resolve: Callable[[str], Any] | None = None) -> None:
        """``resolve`` answers the resource that a reference leads to, or None."""
        self.variables = variables
        self.resolve = resolve
        self._left = _MOST_STEPS

    def spend(self, steps: int) -> None:
        """Count work, so that no expression runs for ever."""
        self._left -= steps
        if self._left < 0:
            raise CannotError("it takes too long")


class Context:
    """The items in focus, and what ``$index`` and ``$total`` stand for."""

    __slots__ = ("environment", "index", "this", "total")

    def __init__(
        self, this: list[Any], environment: Environment, index: int = 0, total: list[Any] | None = None
    ) -> None:
        """``this`` is a collection of one item, but for functions of empty ones."""
        self.this = this
        self.environment = environment
        self.index = index
        self.total = total

    def at(self, item: Any, index: int = 0) -> "Context":
        """The context of one item of a collection."""
        self.environment.spend(1)
        return Context([item], self.environment, index, self.total)

    def of_none(self) -> "Context":
        """The context of an empty collection."""
        return Context([], self.environment, self.index, self.total)

    def summed(self, item: Any, index: int, total: list[Any]) -> "Context":
        """The context of one item on the way to a total."""
        self.environment.spend(1 + len(total))
        return Context([item], self.environment, index, total)
