"""The data dictionary of the research tables, made from their definitions.

One row per column; a column with codes has one more per code. It travels with every release, and lies in
``mappings/views/dictionary/`` for who plans a study (``tools/data_dictionary.py``).
"""

import csv
import io
from collections.abc import Iterable, Iterator
from typing import Any

import msgspec

from service.fhir.json import dump
from service.jobs.tables import Field, Table

__all__ = ["as_csv", "as_json", "as_markdown"]

_HEAD = (
    "table",
    "column",
    "type",
    "unit",
    "empty",
    "code",
    "label",
    "meaning",
    "refers_to",
    "reason_in",
    "value_set",
    "source",
)
_CONVENTIONS = """\
Nothing is imputed: a value that is not there is empty (CSV), `null` (NDJSON, Parquet), never 0 and never a
code. Where a column says why another is empty, that column is named. A column whose type ends in `[]` holds a
list: JSON in CSV. Dates have three columns: `date` (whole days), `year`, and `day` (days since the person's
first visit); which of them are filled is the variant's. Keys are random ids. Codes are those of the service's
terminology; ordinal scales are never to be averaged."""


def as_csv(tables: Iterable[Table]) -> bytes:
    """The dictionary as CSV."""
    out = io.StringIO(newline="")
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(_HEAD)
    for table in tables:
        for field in table.fields:
            rows.writerow(_column(table, field))
            rows.writerows(_code(table, field, code.code, code.label) for code in field.codes)
    return out.getvalue().encode()


def as_json(tables: Iterable[Table]) -> bytes:
    """The dictionary as JSON: a list of tables, each with its columns."""
    found = [
        {
            "table": table.name,
            "title": table.view.definition.title,
            "description": table.view.definition.description,
            "resource": table.view.definition.resource,
            "view": table.canonical,
            "columns": [_tree(field) for field in table.fields],
        }
        for table in tables
    ]
    return msgspec.json.format(dump({"tables": found}), indent=1) + b"\n"


def as_markdown(tables: Iterable[Table]) -> bytes:
    """The dictionary for reading."""
    return ("\n".join(["# Data dictionary", "", _CONVENTIONS, *_sections(tables)]) + "\n").encode()


def _sections(tables: Iterable[Table]) -> Iterator[str]:
    for table in tables:
        definition = table.view.definition
        yield from ("", f"## {table.name}", "", f"{definition.title}. {definition.description}", "")
        yield from (
            f"From `{definition.resource}`, view `{table.canonical}`.",
            "",
            "| column | type | unit | meaning | codes |",
            "|---|---|---|---|---|",
        )
        yield from (_line(field) for field in table.fields)


def _line(field: Field) -> str:
    codes = ", ".join(f"`{code.code}` {code.label}".rstrip() for code in field.codes)
    links = [f"Refers to {field.refers_to}."] if field.refers_to else []
    links += [f"Why it is empty: {field.reason_in}."] if field.reason_in else []
    meaning = " ".join([field.meaning, *links])
    needed = "" if field.nullable else " (never empty)"
    return f"| {field.name} | {_type(field)}{needed} | {field.unit} | {meaning} | {codes} |"


def _type(field: Field) -> str:
    kind = "decimal({},{})".format(*field.digits) if field.kind == "decimal" else field.kind
    return f"{kind}[]" if field.collection else kind


def _column(table: Table, field: Field) -> tuple[str, ...]:
    empty = "may be empty" if field.nullable else "never"
    about = (field.meaning, field.refers_to, field.reason_in, field.value_set, field.source)
    return (table.name, field.name, _type(field), field.unit, empty, "", "", *about)


def _code(table: Table, field: Field, code: str, label: str) -> tuple[str, ...]:
    return (table.name, field.name, "", "", "", code, label, "", "", "", field.value_set, "")


def _tree(field: Field) -> dict[str, Any]:
    told = {
        "name": field.name,
        "type": _type(field),
        "nullable": field.nullable,
        "unit": field.unit,
        "meaning": field.meaning,
        "codes": [{"code": one.code, "label": one.label} for one in field.codes],
        "valueSet": field.value_set,
        "refersTo": field.refers_to,
        "reasonIn": field.reason_in,
        "source": field.source,
    }
    return {name: value for name, value in told.items() if value not in ("", [])}
