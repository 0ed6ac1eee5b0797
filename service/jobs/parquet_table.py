"""Tables as Apache Parquet, with types: whole days as dates, decimals exact, codes as categories.

The only file that imports pyarrow, which is an extra.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any, BinaryIO

import pyarrow as pa
import pyarrow.parquet as pq

from service.errors import InvalidInput
from service.fhir.view_definition import Row
from service.fhir.view_definition.definition import Kind
from service.jobs.tables import Field

__all__ = ["ParquetTable"]

_ROWS = 10_000
"""Rows of a row group: what is in memory at once."""


class ParquetTable:
    """A table being written; InvalidInput for a value that the type of its column can't hold."""

    def __init__(self, out: BinaryIO, fields: Sequence[Field]) -> None:
        """Begin the file in ``out``, which need not be able to seek."""
        self._fields = fields
        self._schema = pa.schema([_column(field) for field in fields])
        self._file = pq.ParquetWriter(out, self._schema, compression="zstd")
        self._waiting: list[Row] = []

    def write(self, rows: Sequence[Row]) -> None:
        """Add rows; they are written when there are enough for a row group."""
        self._waiting += rows
        if len(self._waiting) >= _ROWS:
            self._group()

    def close(self) -> None:
        """Write the last rows, and what a reader needs to find its way."""
        self._group()
        self._file.close()

    def _group(self) -> None:
        if not self._waiting:
            return
        columns = zip(*self._waiting, strict=True)
        arrays = [
            _array(field, values, of.type)
            for field, values, of in zip(self._fields, columns, self._schema, strict=True)
        ]
        self._file.write_batch(pa.record_batch(arrays, schema=self._schema))
        self._waiting = []


def _column(field: Field) -> pa.Field:
    one = pa.decimal128(*field.digits) if field.kind == "decimal" else _TYPES[field.kind]
    if field.codes and not field.collection:
        one = pa.dictionary(pa.int32(), pa.string())
    type_ = pa.list_(one) if field.collection else one
    told = {"description": field.meaning, "unit": field.unit, "codes": field.value_set}
    metadata = {name: text for name, text in told.items() if text}
    return pa.field(field.name, type_, nullable=not field.primary, metadata=metadata or None)


def _array(field: Field, values: Sequence[Any], type_: pa.DataType) -> pa.Array:
    read = _READ.get(field.kind)
    try:
        if read is not None and not field.collection:
            values = [None if one is None else read(one) for one in values]
        elif read is not None:
            values = [[read(one) for one in several] for several in values]
        return pa.array(values, type_)
    except (ValueError, OverflowError, pa.ArrowException):
        what = _WORDS.get(field.kind, field.kind)
        raise InvalidInput(
            f"Column '{field.name}' holds a value that is no {what} in Parquet; take csv or ndjson."
        ) from None


def _moment(text: str) -> datetime:
    found = datetime.fromisoformat(text)
    if found.tzinfo is None:
        raise ValueError("it has no offset")
    return found.astimezone(UTC)


_TYPES: Mapping[Kind, pa.DataType] = {
    "string": pa.string(),
    "boolean": pa.bool_(),
    "integer": pa.int64(),
    "date": pa.date32(),
    "dateTime": pa.timestamp("us", tz="UTC"),
    "time": pa.string(),
}
_READ: Mapping[Kind, Callable[[str], Any]] = {"date": date.fromisoformat, "dateTime": _moment}
_WORDS = {"date": "whole day", "dateTime": "moment with an offset", "decimal": "number of so many digits"}
