"""The independent library that judges messages: hl7apy, by the structures and tables of v2.5.1."""

import re

import hl7apy.parser
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.v2_5_1.tables import TABLES

_OPEN = re.compile(r"99[A-Z0-9]{3}|HL7\d{4}|SCT|UCUM")
"""Of table 0396: what its rows 99zzz and HL7nnnn stand for, and names it got after v2.5.1 was printed. HL7
keeps the table outside of the versions."""


def judged(text: str, folder):
    """The parsed message, and every error and warning about it."""
    message = hl7apy.parser.parse_message(text, validation_level=VALIDATION_LEVEL.STRICT, find_groups=True)
    told = folder / "report.txt"
    message.validate(report_file=str(told))
    return message, [line for line in told.read_text("utf-8").splitlines() if not _is_open(line)]


def _is_open(line: str) -> bool:
    found = re.match(r"Warning: Value (\S+) not in table HL70396 in element", line)
    return bool(found and _OPEN.fullmatch(found[1]))


def table(number: str) -> list[str]:
    """The codes of a table of v2.5.1."""
    return TABLES[f"HL7{number}"][1]
