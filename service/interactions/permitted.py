"""Which of several types a caller may use."""

from collections.abc import Iterable

from service.errors import Forbidden
from service.interactions.context import Action, Asker

__all__ = ["permitted"]


def permitted(types: Iterable[str], action: Action, *, context: Asker) -> tuple[str, ...]:
    """Answer those of ``types`` for which the context allows ``action``; Forbidden if it allows none."""
    allowed: list[str] = []
    refusal: Forbidden | None = None
    for type_ in types:
        try:
            context.allow(action, type_)
        except Forbidden as error:
            refusal = error
        else:
            allowed.append(type_)
    if refusal is not None and not allowed:
        raise refusal
    return tuple(allowed)
