"""What a destination has acknowledged, kept in one small file beside the database."""

import hashlib
import json
import os
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

__all__ = ["Ledger", "ledgers"]


class Ledger:
    """Up to which sequence number one destination has acknowledged everything: of all, and per patient.

    Written whole and atomically after each acknowledged transaction, so that a kill at any moment costs at
    most one transaction sent again, which the receiving end recognises by its business identifiers.
    """

    def __init__(self, folder: Path, destination: str) -> None:
        """Open the ledger of ``destination`` (a base URL) in ``folder``; no file is an empty ledger."""
        name = hashlib.sha256(destination.rstrip("/").encode()).hexdigest()[:16]
        self.path = folder / f"delivered-{name}.json"
        self.destination = destination
        kept = json.loads(self.path.read_text("utf-8")) if self.path.exists() else {}
        self.everything: int = kept.get("everything", 0)
        self._patients: dict[str, int] = kept.get("patients", {})

    @property
    def host(self) -> str:
        """The host of the destination, with its port where it names one."""
        return urlsplit(self.destination).netloc.rpartition("@")[2]

    def delivered(self, patient: str) -> int:
        """Sequence up to which this patient's changes are there; the empty id stands for no patient."""
        return max(self.everything, self._patients.get(patient, 0))

    def acknowledge(self, patient: str, sequence: int) -> None:
        """Note that everything of this patient up to ``sequence`` has arrived; durable on return."""
        self._patients[patient] = sequence
        self._write()

    def complete(self, sequence: int) -> None:
        """Note that everything of everybody up to ``sequence`` has arrived."""
        self.everything = max(self.everything, sequence)
        self._patients = {one: upto for one, upto in self._patients.items() if upto > self.everything}
        self._write()

    def forget(self, patient: str) -> None:
        """Keep nothing of a patient who was erased."""
        if self._patients.pop(patient, None) is not None:
            self._write()

    def _write(self) -> None:
        kept = {
            "destination": self.destination,
            "everything": self.everything,
            "patients": self._patients,
        }
        self.path.parent.mkdir(parents=True, exist_ok=True)
        fresh = self.path.with_suffix(".new")
        with fresh.open("w", encoding="utf-8") as out:
            json.dump(kept, out)
            out.flush()
            os.fsync(out.fileno())
        fresh.replace(self.path)


def ledgers(folder: Path) -> Iterator[Ledger]:
    """The ledgers in a folder, one a destination."""
    for path in sorted(folder.glob("delivered-*.json")):
        yield Ledger(folder, json.loads(path.read_text("utf-8"))["destination"])
