"""What a destination has acknowledged, kept in one small file beside the database."""

import hashlib
import json
import os
from pathlib import Path

__all__ = ["Ledger"]


class Ledger:
    """Per patient, the sequence number up to which one destination has acknowledged everything.

    Written whole and atomically after each acknowledged transaction, so that a kill at any moment costs at
    most one transaction sent again, which the receiving end recognises by its business identifiers.
    """

    def __init__(self, folder: Path, destination: str) -> None:
        """Open the ledger of ``destination`` (a base URL) in ``folder``; no file is an empty ledger."""
        name = hashlib.sha256(destination.rstrip("/").encode()).hexdigest()[:16]
        self._file = folder / f"delivered-{name}.json"
        self._delivered: dict[str, int] = (
            json.loads(self._file.read_text("utf-8"))["delivered"] if self._file.exists() else {}
        )
        self._destination = destination

    def delivered(self, patient: str) -> int:
        """Sequence up to which this patient's changes are there; the empty id stands for no patient."""
        return self._delivered.get(patient, 0)

    def acknowledge(self, patient: str, sequence: int) -> None:
        """Note that everything of this patient up to ``sequence`` has arrived; durable on return."""
        self._delivered[patient] = sequence
        self._file.parent.mkdir(parents=True, exist_ok=True)
        fresh = self._file.with_suffix(".new")
        with fresh.open("w", encoding="utf-8") as out:
            json.dump({"destination": self._destination, "delivered": self._delivered}, out)
            out.flush()
            os.fsync(out.fileno())
        fresh.replace(self._file)
