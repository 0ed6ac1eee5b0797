"""The releases of a site: what left, under which approval, and who has withdrawn since.

One file per release, which is written when it begins and anew when it has ended, and then never again; one
beside it to which withdrawals are added. Neither names anybody: people are the random ids of the release,
so that its recipients can be told whom to remove.
"""

import os
from datetime import date
from pathlib import Path

import msgspec

from service.jobs.vault import Vaults

__all__ = ["Release", "Releases", "released_as", "withdraw"]


class Release(msgspec.Struct, frozen=True):
    """One release. ``sha256`` and ``bytes`` are those of the NDJSON as sent, empty and 0 if it did not end.

    ``files`` are the SHA-256 of each file of a bulk export, in which its lines were sent instead.
    ``open``: for everybody, not for known recipients. ``k`` is the size of the smallest class of people who
    are alike.
    """

    id: str
    project: str
    approval: str
    policy: str
    engine: str
    released: date
    open: bool
    people: int = 0
    k: int = 0
    sha256: str = ""
    bytes: int = 0
    files: tuple[str, ...] = ()

    def has(self, sha256: str) -> bool:
        """Whether a file of this checksum is it, or one of its files."""
        return sha256 in {self.sha256, *self.files}

    @property
    def complete(self) -> bool:
        """Whether it was sent to its end."""
        return self.sha256 != ""


class Withdrawal(msgspec.Struct, frozen=True):
    """Somebody of a release whose permission ended: their random Patient id, and the day it was found out."""

    patient: str
    noted: date


class Releases:
    """The releases, in a folder."""

    def __init__(self, folder: Path) -> None:
        """``folder`` is made when first needed."""
        self._folder = folder

    def write(self, release: Release) -> None:
        """Write what is known of a release; one that ended is frozen."""
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        file = self._folder / f"{release.id}.json"
        fresh = file.with_suffix(".new")
        fresh.write_bytes(msgspec.json.format(msgspec.json.encode(release)))
        fresh.replace(file)

    def all(self) -> list[tuple[Release, list[Withdrawal]]]:
        """Every release with its withdrawals, the oldest first."""
        files = self._folder.glob("*.json")
        found = [msgspec.json.decode(file.read_bytes(), type=Release) for file in files]
        return [
            (one, self.withdrawn(one.id)) for one in sorted(found, key=lambda one: (one.released, one.id))
        ]

    def withdrawn(self, release: str) -> list[Withdrawal]:
        """Who has withdrawn from a release."""
        file = self._withdrawals(release)
        lines = file.read_bytes().splitlines() if file.exists() else []
        return [msgspec.json.decode(line, type=Withdrawal) for line in lines]

    def note(self, release: str, patient: str, day: date) -> None:
        """Add a withdrawal, once."""
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if all(one.patient != patient for one in self.withdrawn(release)):
            with self._withdrawals(release).open("ab") as out:
                out.write(msgspec.json.encode(Withdrawal(patient, day)) + b"\n")
                out.flush()
                os.fsync(out.fileno())

    def _withdrawals(self, release: str) -> Path:
        return self._folder / f"{release}.withdrawn.ndjson"


def released_as(vaults: Vaults, person: str) -> list[str]:
    """The random ids under which projects released a person's Patient."""
    kept = (vault.of(person) for vault in vaults.all())
    return sorted(one.names[f"Patient/{person}"] for one in kept if one.releases)


def withdraw(vaults: Vaults, releases: Releases, person: str, day: date) -> None:
    """Forget a person in every project, and note it with every release they were part of."""
    for vault in vaults.all():
        kept = vault.of(person)
        for release in kept.releases:
            releases.note(release, kept.names[f"Patient/{person}"], day)
        vault.forget(person)
