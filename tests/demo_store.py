"""The invented demo, taken in record by record as a service would."""

import asyncio
import json
import os
import tempfile
from collections.abc import Mapping
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from service.interactions.context import Context, allow_everything
from service.operations.goal_attainment import goal_attainment
from service.operations.upload import Upload, UploadPart
from service.operations.visit_intake import accept
from service.records.reading import read_record
from service.records.shape import headline
from service.settings import Settings
from service.shipped import shipped
from service.store.sqlite import SqliteStore
from service.terminology.codes import codes

PATIENTS = "https://clinic.example.org/patients"
NOW = datetime(2026, 12, 1, 9, 0, tzinfo=UTC)
CONTEXT = Context("https://demo.example.org/fhir", allow_everything, clock=lambda: NOW)


class Demo:
    """A store with the demo in it; its coroutines are run to their end."""

    def __init__(self, folder, *, store=None, context=CONTEXT) -> None:
        self.store = store or SqliteStore(folder / "store.sqlite", clock=lambda: NOW)
        self.context = context

    @classmethod
    def of(cls, folder, *people) -> "Demo":
        """The demo with these people, all without a name; taking them in is done once, then copied."""
        for name, content in _taken_in_once(people).items():
            (folder / name).write_bytes(content)
        return cls(folder)

    def load(self, *people):
        async def everything():
            for path in records_in_order(*people):
                await taken_in(self.store, path, self.context)

        self.run(everything())

    def run(self, work):
        return asyncio.run(work)

    def patient(self, person):
        async def work(txn):
            (found,) = await txn.find("Patient", PATIENTS, person)
            return found.id

        return self.run(self.store.write("find", work))

    def answer(self, person, day):
        """The Parameters of the operation as of a day, with names for access."""
        text = self.run(
            goal_attainment(
                self.store,
                self.patient(person),
                date.fromisoformat(day),
                context=CONTEXT,
                codes=codes("all"),
            )
        )
        return Parts(json.loads(text)["parameter"])


class Parts:
    """Parameters or parts by name."""

    def __init__(self, parts) -> None:
        self._parts = parts

    def all(self, name):
        return [_value(part) for part in self._parts if part["name"] == name]

    def get(self, name):
        found = self.all(name)
        assert len(found) < 2, f"{name} repeats"
        return found[0] if found else None


def records_in_order(*people):
    """The record files of these people (all without a name), oldest visit first."""
    return sorted(_records(people), key=_start)


def taken_in(store, path, context=CONTEXT):
    """Take in one record file; a coroutine that answers its receipt."""
    part = UploadPart("record", path.read_bytes(), file_name=path.name)
    return accept(store, Upload((part,)), settings=Settings(), context=context)


@cache
def _taken_in_once(people) -> Mapping[str, bytes]:
    """The files of a closed store with these people's visits."""
    with tempfile.TemporaryDirectory(dir=os.environ.get("PYTEST_DEBUG_TEMPROOT")) as folder:
        demo = Demo(Path(folder))
        demo.load(*people)
        demo.run(demo.store.close())
        return {file.name: file.read_bytes() for file in Path(folder).iterdir()}


def _value(part):
    if "part" in part:
        return Parts(part["part"])
    (value,) = (part[name] for name in part if name.startswith("value"))
    return value["value"] if isinstance(value, dict) and "value" in value else value


def _records(people):
    return [
        path
        for path in shipped("examples", "visits").glob("*.yaml")
        if not people or path.name.startswith(people)
    ]


def _start(path):
    return headline(read_record(path.read_bytes(), "yaml"), zone=ZoneInfo("UTC")).start
