"""Tables as files: CSV and NDJSON; Parquet in ``parquet_table.py``. Rows are written as they come."""

import csv
from collections.abc import Iterable, Sequence
from io import TextIOWrapper
from typing import Any, BinaryIO, Literal, Protocol, get_args

from service.errors import InvalidInput
from service.fhir.json import dump
from service.fhir.view_definition import Row
from service.jobs.tables import Field

__all__ = ["FORMATS", "MEDIA_TYPES", "Format", "TableFile", "table_file"]

Format = Literal["csv", "ndjson", "parquet"]
FORMATS: tuple[Format, ...] = get_args(Format)
MEDIA_TYPES: dict[Format, str] = {
    "csv": "text/csv; charset=utf-8",
    "ndjson": "application/x-ndjson",
    "parquet": "application/vnd.apache.parquet",
}


class TableFile(Protocol):
    """A table being written; ``close`` writes what is still missing, and leaves the file itself open."""

    def write(self, rows: Sequence[Row]) -> None:
        """Add rows."""
        ...

    def close(self) -> None:
        """End the table."""
        ...


class _Csv:
    """RFC 4180 in UTF-8: empty for what is not there, true and false, a list as JSON."""

    def __init__(self, out: BinaryIO, fields: Sequence[Field], *, header: bool) -> None:
        self._text = TextIOWrapper(out, "utf-8", newline="", write_through=True)
        self._rows = csv.writer(self._text)
        self._lists = [place for place, field in enumerate(fields) if field.collection]
        self._flags = [place for place, field in enumerate(fields) if field.kind == "boolean"]
        if header:
            self._rows.writerow([field.name for field in fields])

    def write(self, rows: Sequence[Row]) -> None:
        self._rows.writerows(map(self._cells, rows))

    def close(self) -> None:
        self._text.detach()

    def _cells(self, row: Row) -> Iterable[Any]:
        cells = list(row)
        for place in self._lists:
            cells[place] = _json(row[place])
        for place in self._flags:
            if isinstance(row[place], bool):
                cells[place] = "true" if row[place] else "false"
        return cells


class _Ndjson:
    """A JSON object a line; null for what is not there."""

    def __init__(self, out: BinaryIO, fields: Sequence[Field]) -> None:
        self._out = out
        self._names = [field.name for field in fields]

    def write(self, rows: Sequence[Row]) -> None:
        self._out.writelines(dump(dict(zip(self._names, row, strict=True))) + b"\n" for row in rows)

    def close(self) -> None:
        """Nothing is missing."""


def table_file(format_: Format, out: BinaryIO, fields: Sequence[Field], *, header: bool = True) -> TableFile:
    """Begin a table in ``out``; ``header`` is CSV's. InvalidInput if this machine has no Parquet."""
    if format_ == "csv":
        return _Csv(out, fields, header=header)
    if format_ == "ndjson":
        return _Ndjson(out, fields)
    try:
        from service.jobs.parquet_table import ParquetTable  # noqa: PLC0415 - an extra, and slow to load
    except ModuleNotFoundError:
        raise InvalidInput("Parquet needs pyarrow here: pip install 'swallow-interop[research]'.") from None
    return ParquetTable(out, fields)


def _json(values: list[Any]) -> str:
    return dump(values).decode() if values else ""  # type: ignore[arg-type]
