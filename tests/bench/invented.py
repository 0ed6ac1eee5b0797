"""People of the invented registry: as rows of research tables, and as transaction Bundles."""

import shutil
from pathlib import Path

from service.jobs.synthetic_bundles import synthetic_bundles
from service.jobs.synthetic_tables import registry, synthetic_tables
from service.terminology.codes import codes
from tests.bench.measure import Row, alternately

__all__ = ["invented"]

TABLES_LIMIT = 8.0
BUNDLES_LIMIT = 160.0


async def invented(folder: Path, people: int, rounds: int) -> list[Row]:
    """Each path against drawing the same people and their visit records."""
    found, known = registry(1, 4), codes("all")
    out, file = folder / "invented", folder / "invented.ndjson"

    async def drawn() -> None:
        for _ in found.people(1, people):
            pass

    async def as_tables() -> None:
        shutil.rmtree(out, ignore_errors=True)
        synthetic_tables(found, people, out, "parquet")

    async def as_bundles() -> None:
        file.unlink(missing_ok=True)
        synthetic_bundles(found, people, file, known)

    rows = []
    for work, what, limit in (
        (as_tables, "Parquet tables", TABLES_LIMIT),
        (as_bundles, "transaction Bundles", BUNDLES_LIMIT),
    ):
        measured, floor = await alternately(work, drawn, rounds=rounds)
        rows.append(
            Row(
                f"an invented person as {what} (mean of {people})",
                "drawing the person and the visit records",
                [one / people for one in measured],
                [one / people for one in floor],
                limit,
            )
        )
    return rows
