"""Making and judging the tables on PostgreSQL; the connection is passed in."""

from contextlib import AbstractAsyncContextManager
from typing import Any, Protocol

from service.errors import StoreUnavailable
from service.store.migrations import COMPATIBLE_WITH, SCHEMA_VERSION, judge, schema

__all__ = ["prepare"]

_ONE_AT_A_TIME = 0x5357_0000_0000_0001
"""An advisory lock: two processes may start on an empty database."""


class _Connection(Protocol):
    async def fetchrow(self, query: str, *args: Any) -> Any: ...

    async def fetchval(self, query: str, *args: Any) -> Any: ...

    async def execute(self, query: str, *args: Any) -> Any: ...

    def transaction(self) -> AbstractAsyncContextManager[Any]: ...


async def prepare(connection: _Connection, *, older: bool) -> None:
    """Create the tables of an empty database; refuse one of another encoding or version.

    ``older``: a version of an older program is not refused.
    """
    if await connection.fetchval("SHOW server_encoding") != "UTF8":
        raise StoreUnavailable("The database's encoding is not UTF8; create one with ENCODING 'UTF8'.")
    async with connection.transaction():
        await connection.execute("SELECT pg_advisory_xact_lock($1)", _ONE_AT_A_TIME)
        if not await connection.fetchval("SELECT to_regclass('schema_version') IS NOT NULL"):
            await connection.execute(schema("postgres"))
            values = (SCHEMA_VERSION, COMPATIBLE_WITH)
            await connection.execute("INSERT INTO schema_version VALUES ($1, $2)", *values)
        found = await connection.fetchrow("SELECT version, compatible_with FROM schema_version")
    judge(*found, older=older)
