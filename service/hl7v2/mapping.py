"""The tables by which FHIR becomes v2, read once from ``mappings/hl7v2/``."""

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import msgspec

from service.shipped import shipped

__all__ = [
    "Kind",
    "Row",
    "Table",
    "code_systems",
    "cut_code",
    "fields",
    "kinds",
    "notes",
    "reports",
    "tables",
]


class Row(msgspec.Struct, frozen=True, rename={"source": "from", "table": "map"}):
    """One field: its data type, longest text, how often it may stand, and where it comes from.

    ``source`` are FHIR paths of which the first that gives something counts; ``value`` stands there always.
    ``table`` names a table of codes, ``kind`` is the type of an identifier that has none. ``note`` tells a
    reader more.
    """

    field: int
    name: str
    type: str
    length: int
    card: str
    source: tuple[str, ...] = ()
    value: str = ""
    table: str = ""
    kind: str = ""
    note: str = ""

    @property
    def repeats(self) -> bool:
        """Whether it may stand more than once."""
        return self.card.endswith("*")


class Table(msgspec.Struct, frozen=True):
    """Codes of FHIR and those of v2; ``other`` is for all that are not there."""

    title: str
    other: str
    codes: dict[str, str]

    def of(self, code: str) -> str:
        """Answer the code of v2."""
        return self.codes.get(code, self.other)


class Kind(msgspec.Struct, frozen=True):
    """A kind of report: the type of resource it stands for, and which cautions go along."""

    title: str
    root: str
    section: str
    notes: tuple[str, ...]
    notes_by_code: dict[str, str] = {}


class _CodeSystems(msgspec.Struct, frozen=True):
    preferred: tuple[str, ...]
    systems: dict[str, str]
    other: str
    short: dict[str, str]


class Reports(msgspec.Struct, frozen=True):
    """Which results a report has, and how they are numbered (OBX-4)."""

    kinds: dict[str, Kind]
    service: dict[str, str]
    findings: tuple[str, ...]
    subs: dict[str, str]
    numbers: dict[str, str]
    components: dict[str, tuple[str, ...]]
    goal: list[dict[str, str]]


@cache
def fields() -> Mapping[str, Sequence[Row]]:
    """Answer the rows of each segment of a result message, in order."""
    found: Mapping[str, Sequence[Row]] = _read("fields", dict[str, list[Row]])
    return found


@cache
def tables() -> Mapping[str, Table]:
    """Answer the tables of codes by name."""
    found: Mapping[str, Table] = _read("tables", dict[str, Table])
    return found


@cache
def code_systems() -> _CodeSystems:
    """Answer the names of code systems (HL7 table 0396), and short forms of our own long codes."""
    found: _CodeSystems = _read("code_systems", _CodeSystems)
    return found


@cache
def reports() -> Reports:
    """Answer what reports hold."""
    found: Reports = _read("reports", Reports)
    return found


def kinds() -> Mapping[str, Kind]:
    """Answer the kinds of reports by name."""
    return reports().kinds


@cache
def notes() -> Mapping[str, str]:
    """Answer the cautions by name."""
    found: Mapping[str, str] = _read("notes", dict[str, str])
    return found


def cut_code(code: str) -> str:
    """Answer a code of ours as it fits in the 20 characters that CE.1 and CWE.1 have."""
    return code_systems().short.get(code, code)


def _read(name: str, type_: Any) -> Any:
    return msgspec.json.decode(shipped("mappings", "hl7v2", f"{name}.json").read_bytes(), type=type_)
