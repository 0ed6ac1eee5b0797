"""Resources of the demo by person, and changes to them."""

import asyncio
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from demo_store import Demo

from service.fhir.json import reread

_SHARED = {"Practitioner"}


@cache
def people() -> dict[str, tuple[dict, ...]]:
    """Everything on file about each person of the demo, by ``Patient/id``, practitioners included."""
    with TemporaryDirectory() as folder:
        demo = Demo.of(Path(folder))
        found = asyncio.run(_everything(demo.store))
        asyncio.run(demo.store.close())
    shared = [one for one in found if one["resourceType"] in _SHARED]
    names = [f"Patient/{one['id']}" for one in found if one["resourceType"] == "Patient"]
    return {name: (*shared, *(one for one in found if _about(one) == name)) for name in names}


async def _everything(store):
    return [reread(one.content) async for one in store.changes() if one.type != "Provenance"]


def _about(one) -> str:
    if one["resourceType"] == "Patient":
        return f"Patient/{one['id']}"
    return (one.get("subject") or one.get("patient") or {}).get("reference", "")


def changed(resources, wanted, **members):
    """The resources, one of them with other members; None takes a member away."""
    return [_with(one, members) if wanted(one) else one for one in resources]


def _with(one, members):
    merged = {**one, **members}
    return {name: value for name, value in merged.items() if value is not None}
