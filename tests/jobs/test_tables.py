"""The research tables: their definitions, the dictionary made of them, and the files they are written to."""

import csv
import io
import json
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from service.errors import InvalidInput
from service.jobs.table_files import FORMATS, table_file
from service.jobs.tables import table_of, tables
from service.shipped import shipped
from tools.data_dictionary import data_dictionary

DICTIONARY = Path(__file__).parents[2] / "mappings" / "views" / "dictionary"
VIEW = {
    "name": "everything",
    "resource": "Patient",
    "select": [
        {
            "column": [
                {"name": "id", "path": "id", "type": "id", "tag": [{"name": "key", "value": "primary"}]},
                {"name": "said", "path": "name.text.first()"},
                {"name": "flag", "path": "active", "type": "boolean"},
                {"name": "whole", "path": "multipleBirth.ofType(integer)", "type": "integer"},
                {
                    "name": "exact",
                    "path": "extension.value.ofType(decimal)",
                    "type": "decimal",
                    "tag": [{"name": "ansi/type", "value": "DECIMAL(6,2)"}],
                },
                {"name": "day", "path": "birthDate", "type": "date"},
                {"name": "moment", "path": "deceased.ofType(dateTime)", "type": "dateTime"},
                {
                    "name": "gender",
                    "path": "gender",
                    "type": "code",
                    "tag": [{"name": "codes", "value": "http://hl7.org/fhir/ValueSet/administrative-gender"}],
                },
                {"name": "given", "path": "name.given", "collection": True},
            ]
        }
    ],
}
FULL = {
    "resourceType": "Patient",
    "id": "a",
    "name": [{"text": 'x, "y"\nß', "given": ["p", "q"]}],
    "active": False,
    "multipleBirthInteger": 2,
    "extension": [{"url": "u", "valueDecimal": Decimal("72.50")}],
    "birthDate": "1970-02-28",
    "deceasedDateTime": "2026-06-19T08:45:00-06:00",
    "gender": "other",
}
BARE = {"resourceType": "Patient", "id": "b"}


def written(format_, *resources):
    table, out = table_of(VIEW), io.BytesIO()
    file = table_file(format_, out, table.fields)
    for one in resources:
        file.write(table.view.rows(one))
    file.close()
    return out.getvalue()


def test_every_definition_can_be_read_and_is_named_as_its_file():
    files = {file.stem for file in shipped("mappings", "views").glob("*.json")}
    assert files == set(tables())
    for name, table in tables().items():
        assert table.name == name
        assert [field.name for field in table.fields if field.primary] == [table.fields[0].name]


def test_every_column_is_described_and_refers_to_what_there_is():
    known = {f"{name}.{field.name}" for name, table in tables().items() for field in table.fields}
    for table in tables().values():
        for field in table.fields:
            assert field.meaning.endswith("."), field
            assert not field.value_set or field.codes, field
            assert field.refers_to in {"", *known}, field
            assert f"{table.name}.{field.reason_in}" in {f"{table.name}.", *known}, field


def test_the_dictionary_is_what_the_definitions_make():
    made = data_dictionary()
    stale = [name for name, content in made.items() if DICTIONARY.joinpath(name).read_bytes() != content]
    assert stale == [], "run 'python -m tools.data_dictionary mappings/views/dictionary'"
    rows = list(csv.DictReader(io.StringIO(made["dictionary.csv"].decode())))
    told = {(row["table"], row["column"]) for row in rows}
    assert told == {(name, field.name) for name, table in tables().items() for field in table.fields}
    assert {row["label"] for row in rows if row["column"] == "closure" and row["code"]} == {
        "Closed",
        "Not closed",
    }
    assert [one["table"] for one in json.loads(made["dictionary.json"])["tables"]] == list(tables())


def test_csv_is_read_back_as_it_was():
    rows = list(csv.DictReader(io.StringIO(written("csv", FULL, BARE).decode(), newline="")))
    assert rows[0] == {
        "id": "a",
        "said": 'x, "y"\nß',
        "flag": "false",
        "whole": "2",
        "exact": "72.50",
        "day": "1970-02-28",
        "moment": "2026-06-19T08:45:00-06:00",
        "gender": "other",
        "given": '["p","q"]',
    }
    assert rows[1] == {**dict.fromkeys(rows[0], ""), "id": "b"}


def test_csv_may_come_without_its_header():
    table, out = table_of(VIEW), io.BytesIO()
    file = table_file("csv", out, table.fields, header=False)
    file.write(table.view.rows(BARE))
    file.close()
    assert out.getvalue() == b"b" + b"," * 8 + b"\r\n"


def test_ndjson_keeps_numbers_as_they_were_written():
    first, second = written("ndjson", FULL, BARE).splitlines()
    assert b'"exact":72.50,' in first
    assert json.loads(first)["given"] == ["p", "q"]
    assert json.loads(second) == {**dict.fromkeys(json.loads(first)), "id": "b", "given": []}


def test_parquet_has_types():
    table = pq.read_table(io.BytesIO(written("parquet", FULL, BARE)))
    assert {field.name: str(field.type) for field in table.schema} == {
        "id": "string",
        "said": "string",
        "flag": "bool",
        "whole": "int64",
        "exact": "decimal128(6, 2)",
        "day": "date32[day]",
        "moment": "timestamp[us, tz=UTC]",
        "gender": str(pa.dictionary(pa.int32(), pa.string())),
        "given": "list<element: string>",
    }
    full, bare = table.to_pylist()
    assert (full["exact"], full["day"], full["given"]) == (Decimal("72.50"), date(1970, 2, 28), ["p", "q"])
    assert full["moment"] == datetime(2026, 6, 19, 14, 45, tzinfo=UTC)
    assert bare == {**dict.fromkeys(full), "id": "b", "given": []}
    assert table.schema.field("gender").metadata[b"codes"].endswith(b"administrative-gender")


@pytest.mark.parametrize(
    ("more", "column"),
    [
        ({"birthDate": "1970"}, "day"),
        ({"birthDate": "1970-02-30"}, "day"),
        ({"deceasedDateTime": "2026-06-19"}, "moment"),
        ({"extension": [{"valueDecimal": Decimal("1.234")}]}, "exact"),
        ({"extension": [{"valueDecimal": Decimal(12345)}]}, "exact"),
        ({"multipleBirthInteger": 2**70}, "whole"),
    ],
)
def test_parquet_says_what_its_types_cannot_hold(more, column):
    with pytest.raises(InvalidInput, match=f"Column '{column}'"):
        written("parquet", {**BARE, **more})


def test_a_table_without_rows_still_has_its_columns():
    for format_ in FORMATS:
        assert (b"moment" in written(format_)) == (format_ != "ndjson")
