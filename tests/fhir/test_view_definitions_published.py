"""Views: the published tests of SQL on FHIR, and their report in the published form."""

import json
import os
from decimal import Decimal
from pathlib import Path

import pytest

from service.errors import InvalidInput
from service.fhir.view_definition import View

SUITE = Path(os.environ.get("CONFORMANCE_DATA", "")) / "sql-on-fhir"

pytestmark = [
    pytest.mark.skipif("CONFORMANCE_DATA" not in os.environ, reason="CONFORMANCE_DATA names no folder"),
    pytest.mark.published("FHIR/sql-on-fhir-v2, tests of views"),
]


def comparable(row):
    return json.dumps(row, sort_keys=True, default=float)


def why_not(test, resources):
    """Why a published test fails, empty if it passes."""
    try:
        view = View(test["view"])
        names = [column.name for column in view.columns]
        rows = [dict(zip(names, row, strict=True)) for one in resources for row in view.rows(one)]
    except InvalidInput as error:
        return "" if test.get("expectError") else str(error)
    if test.get("expectError"):
        return "it was not refused"
    if test.get("expectColumns", names) != names:
        return f"columns {names}"
    wanted = sorted(comparable(row) for row in test["expect"])
    return "" if sorted(map(comparable, rows)) == wanted else f"rows {rows}"


@pytest.mark.conformance("K1")
@pytest.mark.conformance("K2")
@pytest.mark.conformance("K3")
def test_published_tests_of_views(tell, tmp_path):
    report, failing = {}, {}
    for file in sorted(SUITE.glob("*.json")):
        suite = json.loads(file.read_bytes(), parse_float=Decimal)
        results = []
        for test in suite["tests"]:
            why = why_not(test, suite["resources"])
            results.append({"name": test["title"], "result": {"passed": not why}})
            if why:
                failing[f"{file.stem}: {test['title']} {test['tags']}"] = why
        report[file.name] = {"tests": results}
    # the form that the published collection of results asks of an implementation (test_report.json)
    (tmp_path / "test_report.json").write_text(json.dumps(report), "utf-8")
    total = sum(len(one["tests"]) for one in report.values())
    tell(f"SQL on FHIR: {total - len(failing)} of {total} published tests pass")
    assert not failing
    assert total > 100
