"""Where the time of an intake goes: the real functions, timed where they are looked up."""

import inspect
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import wraps
from typing import Any
from unittest.mock import patch

from service.operations import visit_intake
from service.store.sqlite import SqliteStore
from service.store.sqlite_transaction import SqliteTransaction

__all__ = ["PHASES", "Phases"]

_PLACES: tuple[tuple[Any, str, str], ...] = (
    (visit_intake, "accept", "the rest"),
    (visit_intake, "read_upload", "reading"),
    (visit_intake, "headline", "rules"),
    (visit_intake, "check_rules", "rules"),
    (visit_intake, "read_file", "what is on file"),
    (visit_intake, "_own_parts", "what is on file"),
    (visit_intake, "author", "authoring"),
    (visit_intake, "provenance", "authoring"),
    (visit_intake, "check", "validation"),
    (visit_intake, "entries", "matching and settling"),
    (visit_intake, "revise", "matching and settling"),
    (visit_intake, "resolved", "matching and settling"),
    (visit_intake, "apply", "matching and settling"),
    (visit_intake, "_claim", "matching and settling"),
    (SqliteTransaction, "put", "store: rows"),
    (SqliteTransaction, "finish", "store: rows"),
    (SqliteStore, "write", "store: commit"),
    (visit_intake._Intake, "carry_out", "the rest"),
)
PHASES = (*dict.fromkeys(phase for _, _, phase in _PLACES if phase != "the rest"), "the rest")
"""In the order of the work."""


class Phases:
    """Seconds per phase, each without what phases inside it took. One record at a time."""

    def __init__(self) -> None:
        """Start at zero."""
        self.spent: Counter[str] = Counter()
        self._inner: list[float] = []

    @contextmanager
    def watching(self) -> Iterator[None]:
        """Time the functions within."""
        with ExitStack() as stack:
            for holder, name, phase in _PLACES:
                stack.enter_context(patch.object(holder, name, self._timed(getattr(holder, name), phase)))
            yield

    def _timed(self, function: Callable[..., Any], phase: str) -> Callable[..., Any]:
        @wraps(function)
        async def waited(*args: Any, **named: Any) -> Any:
            with self._clock(phase):
                return await function(*args, **named)

        @wraps(function)
        def called(*args: Any, **named: Any) -> Any:
            with self._clock(phase):
                return function(*args, **named)

        return waited if inspect.iscoroutinefunction(function) else called

    @contextmanager
    def _clock(self, phase: str) -> Iterator[None]:
        self._inner.append(0.0)
        begin = time.perf_counter()
        try:
            yield
        finally:
            took = time.perf_counter() - begin
            self.spent[phase] += took - self._inner.pop()
            if self._inner:
                self._inner[-1] += took
