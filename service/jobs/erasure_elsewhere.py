"""What is told of an erasure outside of the database: the register.

The register, a file of the data folder, lists who was erased, so that restoring a backup from before can't
bring them back. It is made anew from the database whenever something is erased.
"""

import os
from pathlib import Path

import msgspec

from service.errors import InvalidInput
from service.jobs.erasure import Erasure
from service.store.backup_file import check_backup, read_backup
from service.store.entries import Entry

__all__ = ["REGISTER", "erasures_in", "read_register", "write_register"]

REGISTER = "erasures.json"


def write_register(folder: Path, known: dict[str, Erasure]) -> None:
    """Write who was erased, whole or not at all; what the file says of others stays in it."""
    path = folder / REGISTER
    whole = read_register(path) | known if path.exists() else known
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    fresh = path.with_suffix(".new")
    fresh.unlink(missing_ok=True)
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
        out.write(msgspec.json.format(msgspec.json.encode(whole)) + b"\n")
        out.flush()
        os.fsync(out.fileno())
    fresh.replace(path)


async def erasures_in(path: Path, key: Path | None) -> dict[str, Erasure]:
    """Who was erased, by a register or by a later backup, which may be sealed for ``key``."""
    if _is_register(path):
        return read_register(path)
    check_backup(path, key)
    rows = [row async for row in read_backup(path, key) if isinstance(row, Entry) and row.kind == "erasure"]
    return {row.name: msgspec.json.decode(row.content, type=Erasure) for row in rows}


def read_register(path: Path) -> dict[str, Erasure]:
    """Read it; InvalidInput if it is none."""
    try:
        return msgspec.json.decode(path.read_bytes(), type=dict[str, Erasure])
    except msgspec.MsgspecError:
        raise InvalidInput(f"{path.name} is no register of erasures that this program wrote.") from None


def _is_register(path: Path) -> bool:
    """Whether a file is JSON, and no backup."""
    with path.open("rb") as file:
        return file.read(1) == b"{"
