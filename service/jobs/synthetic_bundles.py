"""The people of an invented registry as FHIR: one transaction Bundle a line, as they are made."""

from pathlib import Path

from service.errors import InvalidInput
from service.fhir.json import dump
from service.synthetic.bundles import person_bundle
from service.synthetic.registry import Registry
from service.terminology.codes import Codes

__all__ = ["synthetic_bundles"]


def synthetic_bundles(found: Registry, people: int, file: Path, codes: Codes) -> int:
    """Write the Bundles of the first ``people`` into a new ``file`` and answer its bytes.

    It has its name when everything is in it, or is not there. InvalidInput if there is a file or folder.
    """
    if file.exists():
        raise InvalidInput(f"{file} is there already; name a new file, so that nothing is overwritten.")
    fresh = file.with_name(f"{file.name}.new")
    try:
        with fresh.open("wb") as out:
            for person in found.people(1, people):
                out.write(dump(person_bundle(person.records, codes)) + b"\n")
        fresh.replace(file)
    finally:
        fresh.unlink(missing_ok=True)
    return file.stat().st_size
