"""Where the random ids of a research project are kept: outside the database and outside the release.

One file per person, so that an export needs the memory of one person. Deleting the folder destroys the link
between a project's data and the people for ever.
"""

import json
import os
from pathlib import Path

__all__ = ["Vault", "released_as", "withdraw"]


class Vault:
    """The pseudonyms of one project: per person, ``Type/id`` to random id."""

    def __init__(self, folder: Path) -> None:
        """Keep them below ``folder``, readable by the owner alone; it is made when first needed."""
        self._folder = folder

    def of(self, person: str) -> dict[str, str]:
        """The names given so far for the person with this id; a person never exported has none."""
        file = self._file(person)
        names: dict[str, str] = json.loads(file.read_text("utf-8")) if file.exists() else {}
        return names

    def keep(self, person: str, names: dict[str, str]) -> None:
        """Write a person's names, whole or not at all; durable on return."""
        file = self._file(person)
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        fresh = file.with_suffix(".new")
        fresh.unlink(missing_ok=True)
        handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as out:
            json.dump(names, out)
            out.flush()
            os.fsync(out.fileno())
        fresh.replace(file)

    def _file(self, person: str) -> Path:
        # Ids differ in case and may hold dots; file names of some systems can't.
        return self._folder / f"{person.encode().hex()}.json"


def released_as(folder: Path, person: str) -> list[str]:
    """The ids (``Patient/…``) under which the projects of a folder released a person, vaults below it too."""
    names = [json.loads(file.read_text("utf-8")) for file in _files(folder, person)]
    return sorted(one[f"Patient/{person}"] for one in names if f"Patient/{person}" in one)


def withdraw(folder: Path, person: str) -> None:
    """Forget under which names a person was released: nobody can find them in a release from here."""
    for file in _files(folder, person):
        file.unlink()


def _files(folder: Path, person: str) -> list[Path]:
    return sorted(folder.rglob(f"{person.encode().hex()}.json"))
