"""Examples of the guide: of each of our profiles and extensions, from the visits of the invented demo people.

    python -m tools.guide_examples examples/fhir

Of all resources that claim a profile (or carry an extension) the shortest one is taken, of those that only
leave for research the shortest in a release. Ids are counted, so that the same records make the same files; a
test makes them again.
"""

import asyncio
import random
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory
from uuid import UUID
from zoneinfo import ZoneInfo

import msgspec

from service.fhir.json import Tree, dump, reread
from service.fhir.validation.profiles.base_types import own_profiles
from service.interactions.context import Context, allow_everything
from service.jobs.research_export import Request, ResearchExport
from service.jobs.research_place import releases_in, vaults_in
from service.jobs.research_source import ResearchSource
from service.jobs.research_work import Work
from service.operations.record_goal_attainment import record_goal_attainment
from service.operations.upload import Upload, UploadPart
from service.operations.visit_intake import accept
from service.records.reading import read_record
from service.records.shape import headline
from service.settings import Settings
from service.shipped import shipped
from service.store.contract import Query, Store
from service.store.sqlite import SqliteStore
from service.terminology.codes import codes

_NOW = datetime(2026, 12, 1, 9, 0, tzinfo=UTC)


def guide_examples() -> dict[str, str]:
    """Answer the id of a definition to the text of its example."""
    with TemporaryDirectory() as folder:
        stored, released = asyncio.run(_made(Path(folder)))
    chosen = {
        one["id"]: _shortest(stored, one) or _shortest(released, one) for one in own_profiles().values()
    }
    return {id_: f"{_written(tree)}\n" for id_, tree in chosen.items() if tree is not None}


async def _made(folder: Path) -> tuple[list[Tree], list[Tree]]:
    """What is stored of the demo people, and what is released of them."""
    store = SqliteStore(folder / "examples.sqlite", clock=lambda: _NOW)
    try:
        context = _context()
        for path in sorted(shipped("examples", "visits").glob("*.yaml"), key=_start):
            part = UploadPart("record", path.read_bytes(), file_name=path.name)
            await accept(store, Upload((part,)), settings=Settings(), context=context)
        await _compute(store, context)
        stored = [reread(one.content) async for one in store.changes() if not one.deleted]
        return stored, await _released(store, folder)
    finally:
        await store.close()


async def _released(store: Store, folder: Path) -> list[Tree]:
    chance = random.Random(1)  # noqa: S311 - the same each time, of people who are invented
    asked = Request("safe-harbor-days", _NOW)
    with vaults_in(folder, folder / "key").working("guide", asked.variant) as vault, Work(chance) as work:
        source = ResearchSource(store, _NOW.date())
        export = ResearchExport(source, asked, vault=vault, releases=releases_in(folder), work=work)
        return [reread(line) async for line in export]


async def _compute(store: Store, context: Context) -> None:
    for patient in (await store.search(Query("Patient"))).versions:
        await record_goal_attainment(store, patient.id, _NOW.date(), context=context, codes=codes("all"))


def _context() -> Context:
    numbers = count(1)
    return Context(
        "https://demo.example.org/fhir",
        allow_everything,
        clock=lambda: _NOW,
        new_id=lambda: str(UUID(int=next(numbers), version=4)),
    )


def _start(path: Path) -> tuple[str, str]:
    head = headline(read_record(path.read_bytes(), "yaml"), zone=ZoneInfo("UTC"))
    return str(head.start), path.name


def _shortest(trees: list[Tree], definition: Tree) -> Tree | None:
    url = definition["url"]
    if definition["type"] == "Extension":
        fitting = [tree for tree in trees if any(one == url for one in _extensions(tree))]
    else:
        fitting = [tree for tree in trees if url in tree.get("meta", {}).get("profile", ())]
    return min(fitting, key=lambda tree: (len(dump(tree)), tree["id"]), default=None)


def _extensions(node: object) -> Iterator[str]:
    if isinstance(node, dict):
        yield from (one["url"] for one in node.get("extension", ()))
        for value in node.values():
            yield from _extensions(value)
    elif isinstance(node, list):
        for value in node:
            yield from _extensions(value)


def _written(tree: Tree) -> str:
    """Indented, without what a server sets beside the id."""
    meta = {name: value for name, value in tree["meta"].items() if name not in {"versionId", "lastUpdated"}}
    return msgspec.json.format(dump({**tree, "meta": meta}), indent=2).decode()


def main() -> None:
    """Write the examples into the folder of the command line."""
    folder = Path(sys.argv[1])
    folder.mkdir(exist_ok=True)
    for old in folder.glob("*.json"):
        old.unlink()
    for id_, text in guide_examples().items():
        (folder / f"{id_}.json").write_text(text, "utf-8")


if __name__ == "__main__":
    main()
