"""Versions of the database's schema: what a new one gets, how an older one is brought up, what is refused.

``schema.sql`` with ``schema_audit.sql``, and ``schema_postgres.sql``, are the present version.
``upgrades/<engine>_<number>.sql`` leads from the version before to ``number``; an engine without a file for a
number had nothing to change.
"""

from collections.abc import Iterable
from pathlib import Path
from typing import Literal

from service.errors import StoreUnavailable

__all__ = [
    "AUDIT_VERSION",
    "COMPATIBLE_WITH",
    "SCHEMA_VERSION",
    "Engine",
    "audit_schema",
    "audit_upgrade",
    "judge",
    "schema",
    "statements",
    "upgrade",
]

Engine = Literal["sqlite", "postgres"]

SCHEMA_VERSION = 7
"""Raised with every change of the tables or of what is filed in them."""
COMPATIBLE_WITH = 7
"""The oldest SCHEMA_VERSION whose program can still work with a database of this one."""
AUDIT_VERSION = 2
"""Raised with every change of the tables in the file of accesses."""
_OF_AUDIT = {2: 7}
"""By which number of SCHEMA_VERSION each of AUDIT_VERSION came, whose script changes nothing else."""

_HERE = Path(__file__).parent
_UPGRADES = _HERE / "upgrades"


def schema(engine: Engine) -> str:
    """The statements that make a new database."""
    if engine == "postgres":
        return (_HERE / "schema_postgres.sql").read_text("utf-8")
    return (_HERE / "schema.sql").read_text("utf-8") + audit_schema()


def audit_schema() -> str:
    """The statements that make the tables of the audit trail, on SQLite."""
    return (_HERE / "schema_audit.sql").read_text("utf-8")


def audit_upgrade(version: int) -> list[str]:
    """The scripts that bring a file of accesses of this version up to the present one, in order.

    StoreUnavailable if it is one of a newer program.
    """
    if version > AUDIT_VERSION:
        raise StoreUnavailable("The file of accesses was written by a newer program; use that one.")
    numbers = (_OF_AUDIT[number] for number in range(version + 1, AUDIT_VERSION + 1))
    return [(_UPGRADES / f"sqlite_{number}.sql").read_text("utf-8") for number in numbers]


def statements(scripts: Iterable[str]) -> list[str]:
    """The statements of scripts for SQLite, which runs one at a time; each ends with its line."""
    return [statement for script in scripts for statement in script.split(";\n")]


def judge(version: int, compatible_with: int, *, older: bool = False) -> None:
    """StoreUnavailable if this program can't work with a database of this version.

    ``older``: it is about to be upgraded.
    """
    if compatible_with > SCHEMA_VERSION:
        raise StoreUnavailable(
            f"The database was written by a newer program (schema {compatible_with}, this program knows "
            f"{SCHEMA_VERSION}). Use the newer program, or another database."
        )
    if version < SCHEMA_VERSION and not older:
        raise StoreUnavailable(
            f"The database was written by an older program (schema {version}, this program needs "
            f"{SCHEMA_VERSION}). Make a backup, then run: swallow-interop migrate."
        )


def upgrade(engine: Engine, version: int) -> list[str]:
    """The scripts that bring a database of this version up to the present one, in order."""
    files = (_UPGRADES / f"{engine}_{number}.sql" for number in range(version + 1, SCHEMA_VERSION + 1))
    return [file.read_text("utf-8") for file in files if file.exists()]
