"""A row of the audit trail as a line of syslog (RFC 5424), with the AuditEvent as its message.

Facility 13 (log audit); severity informational, for failures warning. The structured data names chain, place
and hash, so that a log kept elsewhere shows what was changed here. Our SD-ID has the example number of
RFC 5612, as we have none of our own.
"""

import socket
from functools import cache

from service.fhir.datetimes import instant
from service.store.audit import Audited

__all__ = ["syslog_line"]

_FACILITY = 13
_INFORMATIONAL, _WARNING = 6, 4
_NUMBER = 32473


def syslog_line(row: Audited) -> bytes:
    """The row as one line, UTF-8."""
    severity = _INFORMATIONAL if row.outcome == "0" else _WARNING
    data = f'[audit@{_NUMBER} chain="{row.chain}" place="{row.place}" hash="{row.hash}"]'
    head = f"<{_FACILITY * 8 + severity}>1 {instant(row.recorded)} {_host()} swallow-interop - {row.subtype}"
    return f"{head} {data} \ufeff{row.content}\n".encode()


@cache
def _host() -> str:
    """The machine's name in printable ASCII, or the nil value."""
    name = "".join(mark for mark in socket.gethostname() if "!" <= mark <= "~")
    return name[:255] or "-"
