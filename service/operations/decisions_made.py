"""What people decided about given resources: who, when, why, and whether it was undone since."""

from collections.abc import Iterable

from service.fhir.json import reread
from service.fhir.search_parameters import parameters
from service.fhir.search_query import Clause, ReferenceValue
from service.records.decision import Made, made
from service.store.contract import Query
from service.store.pages import Searcher, every

__all__ = ["decisions_about"]


async def decisions_about(searcher: Searcher, references: Iterable[str]) -> tuple[Made, ...]:
    """The decisions that wrote versions of these resources (``Goal/1``), the newest first."""
    wanted = tuple(dict.fromkeys(references))
    if not wanted:
        return ()
    indexes = parameters("Provenance")["target"].indexes
    about = Clause(indexes, "reference", (ReferenceValue(wanted),))
    found = [version async for version in every(searcher, Query("Provenance", (about,), total="none"))]
    newest = sorted(found, key=lambda version: version.sequence, reverse=True)
    return made(reread(version.content) for version in newest)
