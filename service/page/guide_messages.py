"""What the guide tells of HL7 v2 messages, made of the tables by which they are written and read."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import msgspec

from service.hl7v2.encoding import CHARACTER_SETS
from service.hl7v2.mapping import code_systems, fields, kinds, reports, tables
from service.hl7v2.problem import problem_kinds
from service.shipped import shipped

__all__ = ["FieldRow", "messages"]


@dataclass(frozen=True, slots=True)
class FieldRow:
    """A field of a message that is sent: where it stands, how often and how long, and what it is made of."""

    place: str
    name: str
    type: str
    card: str
    length: int
    source: str
    note: str


def messages() -> Mapping[str, Any]:
    """Answer everything that the page of messages shows, by name."""
    return {
        **_told(),
        "segments": {name: [*map(_row(name), rows)] for name, rows in fields().items()},
        "kinds": kinds(),
        "subs": _subs(),
        "systems": code_systems().systems,
        "short": code_systems().short,
        "tables": tables(),
        "errors": problem_kinds(),
        "sets": [name for name in CHARACTER_SETS if name],
    }


@cache
def _told() -> Mapping[str, Any]:
    text = shipped("mappings", "hl7v2", "guide.json").read_bytes()
    return msgspec.json.decode(text, type=dict[str, Any])


def _row(segment: str) -> Any:
    def made(row: Any) -> FieldRow:
        source = f"“{row.value}”" if row.value else " | ".join(_path(one) for one in row.source)
        note = "; ".join(part for part in (row.note, _table(row.table)) if part)
        return FieldRow(f"{segment}-{row.field}", row.name, row.type, row.card, row.length, source, note)

    return made


def _table(name: str) -> str:
    return tables()[name].title if name else ""


def _path(path: str) -> str:
    """A path of FHIR as such; what is no resource is said in the note."""
    first = path.partition(".")[0]
    return "" if first in {"Message", "Report", "Result", "Note"} else path


def _subs() -> Sequence[tuple[str, str]]:
    """Code and number (OBX-4) of each result and of each component, in their order."""
    known = reports()
    found = [(code, sub) for code, sub in known.subs.items()]
    found += [(code, str(number)) for number, code in enumerate(known.findings, 1)]
    whole = dict(found)
    for code, parts in known.components.items():
        found += [
            (f"{code}: {part}", f"{whole.get(code, '6')}.{number}") for number, part in enumerate(parts, 1)
        ]
    return found
