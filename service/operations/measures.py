"""The Measures that travel with the program, ``mappings/measures/``: the only ones it can tell of."""

from functools import cache

from service.fhir.json import Tree, reread
from service.shipped import shipped

__all__ = ["COHORT", "measure", "measure_ids", "measure_text", "named"]

COHORT = "attainment-over-time"
"""Told of research tables, not of the people on file."""


@cache
def measure_ids() -> tuple[str, ...]:
    """The ids of all of them."""
    return tuple(sorted(file.stem for file in shipped("mappings", "measures").glob("*.json")))


@cache
def measure_text(id_: str) -> bytes:
    """A Measure as JSON text; KeyError if there is none of this id."""
    if id_ not in measure_ids():
        raise KeyError(id_)
    return shipped("mappings", "measures", f"{id_}.json").read_bytes()


@cache
def measure(id_: str) -> Tree:
    """A Measure; KeyError if there is none of this id."""
    return reread(measure_text(id_))


def named(name: str) -> str | None:
    """The id of the Measure with this canonical URL (with or without version) or id; None if none is ours."""
    url, _, version = name.removeprefix("Measure/").partition("|")
    for id_ in measure_ids():
        known = measure(id_)
        if url in {id_, known["url"]} and version in {"", known["version"]}:
            return id_
    return None
