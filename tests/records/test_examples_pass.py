"""The invented demo is itself a set of good records."""

from service.records.reading import read_record
from service.records.rules import Checked
from service.records.sheets import attach, read_sheet
from service.records.visit import VisitRecord
from service.shipped import shipped


def test_every_example_passes_every_rule(chronicle) -> None:
    found = {
        name: checked.issues
        for entries in chronicle.values()
        for name, _, checked in entries
        if checked.issues
    }
    assert found == {}


def test_the_demo_is_whole(chronicle) -> None:
    names = [name for entries in chronicle.values() for name, _, _ in entries]
    trials = [
        trial for entries in chronicle.values() for _, _, checked in entries for trial in _trials(checked)
    ]
    assert {person: len(entries) for person, entries in chronicle.items()} == {
        "demo-01": 8, "demo-02": 10, "demo-03": 7, "demo-04": 7, "demo-05": 9,
    }  # fmt: skip
    assert len(names) == len(set(names)) == 41
    assert sum(trial.block in ("pre", "post") for trial in trials) == 315


def test_everything_in_the_demo_is_labelled_as_test_data(chronicle) -> None:
    assert all(checked.record.test_data for entries in chronicle.values() for _, _, checked in entries)


def test_the_trial_sheet_makes_the_same_record_as_the_yaml() -> None:
    assert _from_sheet("demo-02-visit-2", "trials") == _from_yaml("demo-02-visit-2")


def test_the_bolus_sheet_makes_the_same_record_as_the_yaml() -> None:
    assert _from_sheet("demo-01-evaluation-1", "boluses") == _from_yaml("demo-01-evaluation-1")


def test_no_practice_day_is_above_its_prescription(chronicle) -> None:
    for entries in chronicle.values():
        for _, context, checked in entries:
            for day in checked.record.practice.days if checked.record.practice else []:
                plan = [plan for plan in context.plans if plan.covers(day.day)][-1]
                assert 0 <= day.repetitions <= plan.lines[0].daily_repetitions


def _trials(checked: Checked) -> list:
    return checked.record.training.trials if checked.record.training else []


def _from_yaml(name: str):
    return _record(read_record(shipped("examples", "visits", f"{name}.yaml").read_bytes(), "yaml"))


def _from_sheet(name: str, kind):
    document = read_record(shipped("examples", "sheets", f"{name}.yaml").read_bytes(), "yaml")
    sheet = read_sheet(
        shipped("examples", "sheets", f"{name}.{kind}.csv").read_bytes(), kind, source=f"{kind}.csv"
    )
    return _record(attach(document, sheet))


def _record(document):
    return VisitRecord.model_validate(document.tree)
