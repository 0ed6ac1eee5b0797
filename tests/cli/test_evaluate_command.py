"""The command counts a panel of people."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from service.cli import main
from service.fhir.json import parse
from service.fhir.validation import errors
from service.shipped import shipped

PERIOD = ("--start", "2026-01-01", "--end", "2026-11-01")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with the first two visits of one person."""
    data: Path = tmp_path_factory.mktemp("evaluated") / "data"
    records = [str(shipped("examples", "visits", f"demo-01-visit-{number}.yaml")) for number in (1, 2)]
    done = CliRunner().invoke(main, ["load", *records, "--data-dir", str(data)])
    assert done.exit_code == 0, done.output
    return data


def test_the_table_never_gives_a_share_without_its_counts(folder: Path) -> None:
    done = CliRunner().invoke(main, ["evaluate", *PERIOD, "--data-dir", str(folder)])
    assert done.exit_code == 0, done.output
    first, _, headings, _, *rows = done.stdout.splitlines()
    assert first == "1 people, 2026-01-01 to 2026-11-01."
    assert headings.split()[:4] == ["goal", "people", "measured", "attained"]
    (closure,) = [row for row in rows if row.startswith("closure accuracy")]
    assert closure.split()[2:5] == ["1", "1", "0"]
    assert "0.0 (0.0-79.3)" in closure


def test_the_report_is_a_measure_report(folder: Path) -> None:
    done = CliRunner().invoke(main, ["evaluate", *PERIOD, "--json", "--data-dir", str(folder)])
    assert done.exit_code == 0, done.output
    assert errors(parse(done.stdout.encode())) == ()
    assert json.loads(done.stdout)["type"] == "summary"


def test_a_period_or_measure_that_is_none(folder: Path) -> None:
    turned = ("--start", "2026-02-01", "--end", "2026-01-01")
    for options in (turned, (*PERIOD, "--measure", "other")):
        assert CliRunner().invoke(main, ["evaluate", *options, "--data-dir", str(folder)]).exit_code == 2


def test_care_that_a_medical_change_ended_stands_beside_the_median(tmp_path: Path) -> None:
    first, second = (
        shipped("examples", "visits", f"demo-01-visit-{number}.yaml").read_text() for number in (1, 2)
    )
    ended = second.replace("  type: training\n", "  type: discharge\n  reason_for_ending: medical change\n")
    for name, text in (("1.yaml", first), ("2.yaml", ended)):
        (tmp_path / name).write_text(text)
    records = [str(tmp_path / name) for name in ("1.yaml", "2.yaml")]
    data = str(tmp_path / "data")
    done = CliRunner().invoke(main, ["load", *records, "--data-dir", data])
    assert done.exit_code == 0, done.output
    done = CliRunner().invoke(main, ["evaluate", *PERIOD, "--data-dir", data])
    (closure,) = [row for row in done.stdout.splitlines() if row.startswith("closure accuracy")]
    assert closure.endswith("not reached  1 medical change")
