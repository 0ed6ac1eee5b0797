"""Where research tables lie: a folder is one site's release, with what its manifest says of it."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from service.errors import InvalidInput

__all__ = ["NEEDED", "Source", "sources", "sources_in", "test_data"]

NEEDED = (
    "patient",
    "condition",
    "visit",
    "goal",
    "goal_status",
    "goal_value",
    "measurement",
    "trial",
    "trial_judgement",
    "practice_day",
)
"""The tables that a cohort is counted from."""
_FORMATS = ("parquet", "csv")


@dataclass(frozen=True, slots=True)
class Source:
    """A folder of tables: one site's release. ``policy`` is its manifest's, empty without one.

    ``people`` and ``test_people`` are the manifest's too, None where it does not say.
    """

    site: str
    folder: Path
    format: str
    policy: str = ""
    people: int | None = None
    test_people: int | None = None


def sources(folders: Sequence[Path]) -> tuple[Source, ...]:
    """Look at the folders; InvalidInput names each that lacks tables, and a name that two of them have."""
    problems: list[str] = []
    found = [one for folder in folders if (one := _source(folder.resolve(), problems))]
    names = [one.site for one in found]
    problems += [
        f"Two folders are called '{name}'; a folder is one site, so give them names of their own."
        for name in sorted({name for name in names if names.count(name) > 1})
    ]
    if problems:
        raise InvalidInput(" ".join(problems))
    return tuple(found)


def sources_in(place: Path) -> tuple[Source, ...]:
    """The folder itself if it has tables, else every folder in it; InvalidInput as ``sources``."""
    if any((place / f"patient.{one}").is_file() for one in _FORMATS):
        return sources([place])
    inside = sorted(one for one in place.iterdir() if one.is_dir()) if place.is_dir() else []
    if not inside:
        raise InvalidInput("There are no research tables to tell of; the operator can put some there.")
    return sources(inside)


def test_data(found: Sequence[Source]) -> str:
    """Whether 'all', 'some' or 'none' of the people are test data; empty where a manifest does not say."""
    if any(one.people is None or one.test_people is None for one in found):
        return ""
    invented = sum(one.test_people or 0 for one in found)
    return "all" if invented == sum(one.people or 0 for one in found) else "some" if invented else "none"


def _source(folder: Path, problems: list[str]) -> Source | None:
    formats = [one for one in _FORMATS if (folder / f"patient.{one}").is_file()]
    if not formats:
        problems.append(f"{folder.name} has no patient.parquet or patient.csv: name a folder of tables.")
        return None
    missing = [name for name in NEEDED if not (folder / f"{name}.{formats[0]}").is_file()]
    if missing:
        problems.append(f"{folder.name} lacks the tables {', '.join(missing)}.")
    manifest = folder / "manifest.json"
    told = json.loads(manifest.read_bytes()) if manifest.is_file() else {}
    return Source(
        folder.name,
        folder,
        formats[0],
        str(told.get("policy", "")).partition(" ")[0],
        told.get("people"),
        told.get("testPeople"),
    )
