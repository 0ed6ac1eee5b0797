"""The published JSON Schema."""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from service.records.reading import read_record
from service.records.schema import visit_record_schema
from service.shipped import shipped

PUBLISHED = Path(__file__).parents[2] / "openapi" / "visit-record.schema.json"
EXAMPLES = sorted(shipped("examples", "visits").glob("*.yaml"))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return float(value) if isinstance(value, Decimal) else value


def test_the_published_copy_is_current() -> None:
    assert json.loads(PUBLISHED.read_text("utf-8")) == visit_record_schema()


@pytest.mark.published("JSON Schema draft 2020-12, by the jsonschema library")
def test_it_is_a_valid_schema() -> None:
    Draft202012Validator.check_schema(visit_record_schema())


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_examples_are_valid_by_it(path) -> None:
    tree = _plain(read_record(path.read_bytes(), "yaml").tree)
    assert list(Draft202012Validator(visit_record_schema()).iter_errors(tree)) == []


def test_it_refuses_what_the_service_refuses() -> None:
    validator = Draft202012Validator(visit_record_schema())
    tree = _plain(read_record(EXAMPLES[2].read_bytes(), "yaml").tree)
    assert not validator.is_valid(tree | {"unknown": 1})
    assert not validator.is_valid(tree | {"visit_record": 2})
    assert not validator.is_valid({key: value for key, value in tree.items() if key != "record"})
