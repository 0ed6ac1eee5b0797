"""AuditEvents that belong to no write, on SQLite: in a file beside the database, with a writer of its own.

Through the database's one writer, whoever reads would wait for the record that is being taken in before their
access is durable, and their answer leaves. The file has the tables of ``schema_audit.sql`` and one chain a
process; the chains of both files name each other's ends, so that a file that is missing, or is another's, is
noticed.
"""

from collections.abc import Callable, Sequence
from pathlib import Path

from service.store.audit import Event, Head, new_head
from service.store.migrations import AUDIT_VERSION, audit_schema, audit_upgrade, statements
from service.store.sqlite_audit import AT_ONCE, Connection, file_targets, kept, record, take_away

__all__ = ["Accesses", "accesses_path"]


def accesses_path(database: Path) -> Path:
    """The file beside a database."""
    return database.with_suffix(f".accesses{database.suffix}")


class Accesses:
    """Writes events, for one thread."""

    def __init__(
        self, connection: Connection, database: Callable[[], Connection], now: Callable[[], int]
    ) -> None:
        """Create the tables of a new file, bring up those of an older one.

        ``database`` answers a connection to the database, ``now`` UTC milliseconds. StoreUnavailable if the
        file is of a newer program.
        """
        self._connection = connection
        self._database = database
        self._now = now
        self._head = new_head()
        self._named = 0
        self._prepare()

    @property
    def unnamed(self) -> bool:
        """Whether there are rows behind the one that the database was last to name."""
        return self._head.place > self._named

    def keep(self, events: Sequence[Event]) -> bool:
        """Write events, durably; whether it is time that the database names the end of the chain."""
        if 0 < len(events) < AT_ONCE:  # with a link before them still one statement, its own transaction
            head = self._written(events)
        else:
            with kept(self._connection):
                head = self._written(events)
        due = head.linked_place > self._head.linked_place
        self._head = head
        if due:
            self._named = head.place
        return due

    def file(self) -> None:
        """File what the last rows are found by, once there is enough of it."""
        file_targets(self._connection)

    def take_away(self, before: int) -> int:
        """Take away some of the oldest rows, of those recorded before a time; answers how many."""
        with kept(self._connection):
            return take_away(self._connection, before)

    def _prepare(self) -> None:
        """Create the tables of a new file, bring up those of an older one."""
        with kept(self._connection):
            (found,) = self._connection.execute("PRAGMA user_version").fetchone()
            scripts = audit_upgrade(found) if found else [audit_schema()]
            for statement in statements(scripts):
                self._connection.execute(statement)
            if scripts:
                self._connection.execute(f"PRAGMA user_version = {AUDIT_VERSION}")

    def _written(self, events: Sequence[Event]) -> Head:
        if not events:  # asked whether it could
            return self._head
        return record(self._connection, self._head, events, self._now(), self._database)
