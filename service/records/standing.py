"""Decisions that stand when a visit's record is sent again: what a person decided stays, and is told.

Pure. Only undoing takes a decision back, never a record.
"""

from collections.abc import Iterable, Sequence

from service.errors import Issue, IssueType, Severity
from service.records.identity import Names, decoded
from service.records.parts import identifiers
from service.records.settle import Statement
from service.records.stored import Resource
from service.records.trial_not_observable import is_marked
from service.records.visit_exclusion import excluded, exclusion_of

__all__ = ["overruled", "part_notes", "with_decisions"]


def with_decisions(authored: Resource, stored: Resource) -> Resource:
    """A part of the record as it is to be written over ``stored``.

    A visit left out stays left out; a marked trial stays as it is, so that its mark can still be undone.
    """
    if stored["resourceType"] == "Encounter" and (why := exclusion_of(stored)):
        return excluded(authored, why)
    return stored if is_marked(stored) else authored


def part_notes(stored: Iterable[Resource], names: Names) -> list[Issue]:
    """What is to be told of the decisions that stand over parts of the record behind ``names``."""
    notes: list[Issue] = []
    for part in stored:
        if part["resourceType"] == "Encounter" and exclusion_of(part):
            notes.append(_note("This visit was left out of computed results; it still is."))
        elif is_marked(part):
            path = next((decoded(value.removeprefix(names.prefix)) for _, value in identifiers(part)), "")
            text = f"Trial {path} was marked not observable; it stays so, whatever the record says of it."
            notes.append(_note(text))
    return notes


def overruled(written: Sequence[Statement], on_file: Sequence[Statement]) -> list[Issue]:
    """What is to be told of statements of the record that newer decisions about the same goal go before."""
    goals = {
        one.goal: newer.date
        for one in written
        for newer in on_file
        if newer.decided and newer.goal == one.goal and newer.moment >= one.moment
    }
    return [
        _note(f"What the record states of {goal} is older than what was decided on {day}, which stands.")
        for goal, day in goals.items()
    ]


def _note(text: str) -> Issue:
    return Issue(
        f"{text} Undo the decision to change that.",
        severity=Severity.WARNING,
        code=IssueType.INFORMATIONAL,
    )
