"""A file that only its owner can read."""

import os
import secrets
from pathlib import Path

__all__ = ["new_private_file"]


def new_private_file(directory: Path, content: bytes) -> Path:
    """Write a new file under a name nobody uses; whoever asked gives it its own."""
    directory.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = directory / f".{secrets.token_hex(8)}.new"
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(content)
    return path
