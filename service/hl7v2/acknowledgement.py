"""ACK: what is answered to a message, in original and in enhanced mode (v2.5.1 chapter 2, 2.9 and 2.15)."""

import base64
import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from service.fhir.datetimes import instant
from service.hl7v2.encoding import UTF_8, segment, written
from service.hl7v2.parsing import Received, Segment
from service.hl7v2.problem import Problem, problem_kinds
from service.hl7v2.times import time_stamp

__all__ = ["Answer", "acknowledgements", "answer_in"]

_ASKED = {"AL": (True, True), "NE": (False, False), "ER": (False, True), "SU": (True, False)}
"""HL7 table 0155: whether to answer what was taken, and what was not."""


def acknowledgements(asked: Segment, problems: Sequence[Problem], now: int) -> list[bytes]:
    """Answer the messages that answer one whose MSH is ``asked``; ``now`` is in UTC milliseconds.

    Original mode has one, AA, AE or AR. Enhanced mode has the accept acknowledgement that MSH-15 asks for
    (CA, CE, CR), then the application's that MSH-16 asks for. What was refused and is not to be told by the
    application is told in the accept acknowledgement: else nobody would hear of it.
    """
    worst = "R" if any(problem_kinds()[one.kind].answer == "AR" for one in problems) else "E"
    letter = worst if problems else "A"
    accept, application = asked.text(15), asked.text(16)
    if not accept and not application:
        return [_message(asked, f"A{letter}", problems, now)]
    made, tells = [], _ASKED.get(application, (False, False))[bool(problems)]
    if _ASKED.get(accept, (False, False))[bool(problems) and not tells]:
        told = () if tells else problems
        made.append(_message(asked, "CA" if not told else f"C{letter}", told, now))
    if tells:
        made.append(_message(asked, f"A{letter}", problems, now))
    return made


def _message(asked: Segment, code: str, problems: Sequence[Problem], now: int) -> bytes:
    id_ = asked.text(10)
    own = base64.b32encode(hashlib.sha256(f"{code} {id_} {asked.fields}".encode()).digest())[:20].decode()
    event = asked.text(9, 2)
    head = {
        **{answered: _whole(asked, there) for answered, there in ((3, 5), (4, 6), (5, 3), (6, 4))},
        7: time_stamp(instant(now)),
        9: written(["ACK", event, "ACK"] if event else ["ACK"]),
        10: own,
        11: written([asked.text(11) or "P"]),
        12: "2.5.1",
        18: UTF_8,
    }
    parts = [segment("MSH", head), segment("MSA", {1: code, 2: written([id_])}), *map(_error, problems)]
    return ("\r".join(parts) + "\r").encode()


def _whole(asked: Segment, number: int) -> str:
    return "".join(written([part[0] for part in one]) for one in asked.field(number)[:1])


def _error(problem: Problem) -> str:
    """ERR: where, the code of table 0357, our own kind of it, and a sentence."""
    kind, place = problem_kinds()[problem.kind], problem.place
    where = [place.segment, *(str(number) if number else "" for number in place[1:])]
    fields = {
        2: written(where),
        3: written([kind.code, _MEANINGS[kind.code], "HL70357"]),
        4: "E",
        5: written([problem.kind, kind.meaning, "L"]),
        8: written([problem.text], "TX"),
    }
    return segment("ERR", fields)


_MEANINGS = {
    "100": "Segment sequence error",
    "101": "Required field missing",
    "102": "Data type error",
    "103": "Table value not found",
    "200": "Unsupported message type",
    "201": "Unsupported event code",
    "202": "Unsupported processing id",
    "203": "Unsupported version id",
    "204": "Unknown key identifier",
    "205": "Duplicate key identifier",
    "206": "Application record locked",
    "207": "Application internal error",
}
"""HL7 table 0357."""

Outcome = Literal["taken", "again", "refused"]


@dataclass(frozen=True, slots=True)
class Answer:
    """What an acknowledgement says: MSA-1, whose control id (MSA-2), and the errors as code, place and kind.

    ``outcome``: the message was taken, or may be sent again later, or is refused for good.
    """

    code: str
    control_id: str
    errors: tuple[str, ...] = ()

    @property
    def outcome(self) -> Outcome:
        """What to do with the message that was answered."""
        if self.code in {"AA", "CA"}:
            return "taken"
        return "again" if any(one.startswith(("206", "207")) for one in self.errors) else "refused"


def answer_in(message: Received) -> Answer | None:
    """Answer what a received message acknowledges; None if it is no acknowledgement."""
    (msa,) = message.all("MSA")[:1] or (None,)
    if msa is None:
        return None
    told = [(err.text(3), f"{err.text(2)}-{err.text(2, 3)}") for err in message.all("ERR")]
    told += [(msa.text(6), "")] if msa.text(6) else []
    errors = (_error_of(code, place) for code, place in told)
    return Answer(msa.text(1), msa.text(2), tuple(one for one in errors if one))


def _error_of(code: str, place: str) -> str:
    """A code of table 0357 and its place, of others' texts nothing: they may quote what a record holds."""
    if not re.fullmatch(r"\d{1,3}", code):
        return ""
    return f"{code} at {place}" if re.fullmatch(r"[A-Z][A-Z0-9]{2}-\d{1,3}", place) else code
