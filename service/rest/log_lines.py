"""The lines of this process's log: JSON on standard error, each with its level."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import msgspec

from service.correlation import REQUEST_ID

__all__ = ["logged_to_stderr"]

_encoder = msgspec.json.Encoder()
_BARE = "service.requests"
"""Its records are lines already, several at a time."""


@contextmanager
def logged_to_stderr(level: str = "info") -> Iterator[None]:
    """Write what is of this level and graver: for a command, which configures no logging of its own."""
    handler = logging.StreamHandler()
    handler.setFormatter(_Json())
    log = logging.getLogger("service")
    before = log.level, log.propagate
    log.addHandler(handler)
    log.setLevel(level.upper())
    log.propagate = False
    try:
        yield
    finally:
        log.removeHandler(handler)
        log.setLevel(before[0])
        log.propagate = before[1]


class _Json(logging.Formatter):
    """A record as a line: level, who says it, what, and of which request. An exception by its class alone."""

    def format(self, record: logging.LogRecord) -> str:
        """See logging."""
        if record.name == _BARE:
            return record.getMessage()
        line: dict[str, Any] = {
            "level": record.levelname.lower(),
            "log": record.name,
            "message": record.getMessage(),
            **getattr(record, "told", {}),
        }
        if known := REQUEST_ID.get():
            line["request_id"] = known
        if record.exc_info and record.exc_info[0]:
            line["error"] = record.exc_info[0].__name__
        return _encoder.encode(line).decode()
