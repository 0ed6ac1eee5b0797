"""ADT messages as they come in: read, done once, acknowledged, recorded."""

import hashlib
import json
import logging
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime

from service.errors import ServiceError
from service.fhir.datetimes import milliseconds
from service.hl7v2.acknowledgement import acknowledgements
from service.hl7v2.admission import admissions
from service.hl7v2.parsing import Received, Segment, header, read
from service.hl7v2.problem import Problem, Refused
from service.interactions.context import Context
from service.operations.admission import admit
from service.operations.patient_merge import Source
from service.security.audit import Facts
from service.security.audit_event import events_of
from service.security.noted_store import NotedStore
from service.store.entries import Entry, Opened

__all__ = ["AdtIntake", "systems_of"]

_log = logging.getLogger("service.mllp")
_REMEMBERED_S = 7 * 24 * 3_600
_TIDIED_S = 3_600
"""So often what is remembered no longer is looked for, as that looks through all of it."""
_LATER = frozenset({409, 503})
"""Statuses of errors of which a message may be sent again: the store, or a race that was lost."""


def systems_of(text: str) -> dict[str, str]:
    """Answer the systems of assigning authorities written ``name=uri``, separated by spaces."""
    pairs = [one.partition("=") for one in text.split()]
    if not all(name and uri for name, _, uri in pairs):
        raise ServiceError("SWALLOW_MLLP_SYSTEMS: each is name=uri; * is the name for none given.")
    return {name: uri for name, _, uri in pairs}


class AdtIntake:
    """Takes messages in for a store; ``counts`` are those that were taken, repeated and refused."""

    def __init__(
        self, store: Opened, systems: Mapping[str, str], context: Context, clock: Callable[[], datetime]
    ) -> None:
        """``systems``: identifier systems of assigning authorities."""
        self._store = store
        self._systems = systems
        self._context = context
        self._clock = clock
        self._tidied = 0
        self.counts = {"taken": 0, "repeated": 0, "refused": 0}

    async def handle(self, content: bytes, address: str) -> list[bytes]:
        """Do what a message asks for, once, and answer its acknowledgements.

        One that was taken before, from the same sender with the same control id and content, is answered as
        it was then. If the answer was lost with the process, doing it again changes nothing.
        """
        name = _name(content)
        if (answered := await self._answered(name)) is not None:
            self.counts["repeated"] += 1
            return answered
        asked, problems = await self._done(content, address)
        answers = acknowledgements(asked, problems, milliseconds(self._clock()))
        self.counts["refused" if problems else "taken"] += 1
        if not problems:  # what stood in the way may be gone the next time
            await self._remember(name, answers)
        return answers

    async def too_large(self, head: bytes, address: str) -> list[bytes]:
        """Answer a message that is too large, of which the beginning came."""
        self.counts["refused"] += 1
        asked = header(head)
        await self._record(asked, address)
        return acknowledgements(asked, [Problem("too-large")], milliseconds(self._clock()))

    async def _done(self, content: bytes, address: str) -> tuple[Segment, Sequence[Problem]]:
        asked = header(content)
        try:
            message = read(content)
            asked = message.header
            await self._carry_out(message, address)
        except Refused as refused:
            await self._record(asked, address)
            return asked, refused.problems
        except ServiceError as error:
            return asked, [Problem("locked" if error.status in _LATER else "internal")]
        except Exception as error:  # noqa: BLE001 - nothing a message says may end its connection
            _log.error("message not taken in", extra={"told": {"error": type(error).__name__}})
            return asked, [Problem("internal")]
        return asked, []

    async def _carry_out(self, message: Received, address: str) -> None:
        asked = message.header
        found = admissions(message, self._systems, self._context.zone)
        store = NotedStore(self._store, _facts(asked, address))
        source = Source(_sender(asked), asked.text(10))
        await admit(store, found, context=self._context, source=source)

    async def _record(self, asked: Segment, address: str) -> None:
        """A message that was refused leaves an AuditEvent too, if one can be written."""
        try:
            await self._store.audit(events_of(_facts(asked, address), 400))
        except ServiceError as error:
            _log.error("refusal not recorded", extra={"told": {"error": type(error).__name__}})

    async def _answered(self, name: str) -> list[bytes] | None:
        sql = "SELECT content FROM entry WHERE kind = 'message' AND name = ?"
        rows = await self._store.ask((sql, [name]))
        return [one.encode() for one in json.loads(rows[0][0])] if rows else None

    async def _remember(self, name: str, answers: Sequence[bytes]) -> None:
        now = int(self._clock().timestamp())
        text = json.dumps([one.decode() for one in answers])
        await self._store.enter(Entry("message", name, now + _REMEMBERED_S, text), once=True)
        if now - self._tidied > _TIDIED_S:
            self._tidied = now
            await self._store.forget(now)


def _name(content: bytes) -> str:
    """What a message is known again by: who sent it, its control id, and all but its header."""
    msh = header(content)
    sender = [msh.text(3), msh.text(4), msh.text(10)]
    rest = content.partition(b"\r")[2] or content
    return hashlib.sha256(json.dumps(sender).encode() + rest).hexdigest()


def _sender(asked: Segment) -> str:
    return " of ".join(text for text in (asked.text(3), asked.text(4)) if text) or "unknown"


def _facts(asked: Segment, address: str) -> Facts:
    kind = "110107"  # DICOM: import
    return Facts(subtype="operation", command="mllp", kind=kind, agent=_sender(asked)[:200], address=address)
