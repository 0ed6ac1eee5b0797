"""What is done to one resource: de-identified, made a row of, validated."""

import random
from datetime import date
from pathlib import Path
from uuid import UUID

import msgspec
from fhir.resources.R4B.observation import Observation

from service.deidentify.rules import Release
from service.fhir.json import dump, parse, reread
from service.fhir.validation import check
from service.jobs.research_policies import load_variant
from service.jobs.tables import tables
from tests.bench.measure import Row, alternately
from tests.bench.people import bench, uploads

__all__ = ["deidentified", "flat_rows", "stored", "validated"]

DEIDENTIFY_LIMIT = 12
VALIDATE_LIMIT = 0.6
ROW_LIMIT = 25
_SIZE = 1_500


async def stored(folder: Path) -> list[bytes]:
    """The text of every resource of one person with eight visits."""
    async with bench(folder / "resources") as place:
        for upload in uploads(1):
            await place.accept(upload)
        return [version.content async for version in place.store.changes() if not version.deleted]


async def deidentified(contents: list[bytes], rounds: int) -> Row:
    """From stored text to text that may leave, without the validation that follows."""
    variant = load_variant("safe-harbor")
    ids = random.Random(20260101)  # noqa: S311 - a measurement's ids hide nobody
    release = Release(date(2026, 9, 20), lambda _: str(UUID(int=ids.getrandbits(128), version=4)))
    texts = [text for text in contents if parse(text)["resourceType"] in variant.deidentify.types]

    async def ours() -> None:
        for text in texts:
            kept = variant.deidentify(reread(text), release)
            if isinstance(kept, dict):
                dump(kept)

    async def floor() -> None:
        for text in texts:
            msgspec.json.encode(msgspec.json.decode(text))

    work, baseline = await alternately(ours, floor, rounds=rounds)
    return Row(
        f"de-identify one resource (mean of {len(texts)})",
        "msgspec reads and writes it",
        [one / len(texts) for one in work],
        [one / len(texts) for one in baseline],
        DEIDENTIFY_LIMIT,
    )


async def flat_rows(contents: list[bytes], rounds: int) -> Row:
    """From stored text to the row of its research table, over all tables."""
    trees = [(text, reread(text)) for text in contents]
    pairs = [
        (table.view, text) for table in tables().values() for text, tree in trees if table.view.rows(tree)
    ]

    async def ours() -> None:
        for view, text in pairs:
            view.rows(msgspec.json.decode(text))

    async def floor() -> None:
        for _, text in pairs:
            msgspec.json.decode(text)

    work, baseline = await alternately(ours, floor, rounds=rounds)
    return Row(
        f"a flat row of a resource (mean of {len(pairs)})",
        "msgspec reads it",
        [one / len(pairs) for one in work],
        [one / len(pairs) for one in baseline],
        ROW_LIMIT,
    )


async def validated(contents: list[bytes], rounds: int) -> Row:
    """One Observation of about 1.5 KB, from text to the list of its problems."""
    observations = [text for text in contents if parse(text)["resourceType"] == "Observation"]
    text = min(observations, key=lambda one: abs(len(one) - _SIZE))

    async def ours() -> None:
        check(parse(text))

    async def floor() -> None:
        Observation.model_validate_json(text)

    work, baseline = await alternately(ours, floor, rounds=rounds, times=10)
    return Row(
        f"validate one Observation of {len(text):,} bytes",
        "fhir.resources model_validate_json",
        work,
        baseline,
        VALIDATE_LIMIT,
    )
