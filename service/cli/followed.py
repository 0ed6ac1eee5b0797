"""Commands that ask other machines or run for long, told as requests of a service are."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from secrets import token_hex

from service.correlation import REQUEST_ID, SPANS, open_spans
from service.jobs.runs import Runs
from service.rest.log_lines import logged_to_stderr
from service.settings import Settings

__all__ = ["followed"]


@asynccontextmanager
async def followed(settings: Settings, job: str) -> AsyncIterator[dict[str, int]]:
    """One run of a job by a command: an id of its own, a line of the log at its end, spans if asked for.

    What is given notes its counts.
    """
    spans = open_spans() if settings.tracing else None
    REQUEST_ID.set(token_hex(8))
    SPANS.set(spans)
    try:
        with logged_to_stderr(settings.log_level), Runs().run(job) as counts:
            yield counts
    finally:
        if spans is not None:
            await spans.close()
