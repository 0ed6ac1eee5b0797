"""What to say about a value that does not have the shape its field wants."""

import types
from datetime import date, datetime
from decimal import Decimal
from difflib import get_close_matches
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import annotated_types
from pydantic import BaseModel

__all__ = ["alternatives", "bad_value", "missing", "shown", "unknown_field"]

# Fields whose problem is better named in the clinic's words than by their type.
_BAD = {
    "Visit.type": "Visit type '{value}' is not in the list.",
    "Bolus.airway_score": (
        "Penetration-aspiration score {value} is not valid. "
        "Use a whole number from 1 to 8 for each swallow; averages are not accepted."
    ),
    "Bolus.consistency": "Consistency must be an IDDSI level from 0 to 7.",
    "GoalTarget.consistency": "Consistency must be an IDDSI level from 0 to 7.",
    "Function.oral_intake_level": "Oral intake level must be 1 to 7.",
    "SwallowStudy.secretion_rating": "Secretion rating runs from 0 to 3.",
    "Trial.observed": "Observed closure must be closed, not closed or not observable.",
    "Goal.importance": "Importance and difficulty run from 0 to 3.",
    "Goal.difficulty": "Importance and difficulty run from 0 to 3.",
    "Criterion.visits": "Criterion 'k' must be 1 to 10.",
    "PlanLine.exercise": "Exercise '{value}' is not valid: use letters, digits and hyphens only.",
    "Goal.key": "Key '{value}' is not valid: use letters, digits and hyphens only.",
    "Condition.onset": "Onset '{value}' is not valid: give a date, year-month, year or 'unknown'.",
}
_MISSING = {
    "Visit.clinician": "Name the clinician responsible for this visit.",
    "PlanLine.manoeuvre": "Choose one manoeuvre per line.",
    "Goal.lifecycle_status": "Goal needs a lifecycle status.",
    "Goal.description": "Goal needs a description.",
    "GoalTarget.measure": "A target value needs a measure.",
    **dict.fromkeys(
        (
            "PlanLine.sets",
            "PlanLine.repetitions",
            "PlanLine.sessions_per_day",
            "PlanLine.days_per_week",
            "PlanLine.weeks",
        ),
        "Dose needs sets, repetitions, sessions per day, days per week and duration.",
    ),
}
_LABELS = {"hold_s": "hold time", "volume_ml": "volume", "weight_kg": "weight", "eat10_total": "EAT-10 total"}
_KINDS: dict[Any, str] = {
    str: "text",
    int: "a whole number",
    Decimal: "a number",
    date: "a date such as 2026-02-03",
    datetime: "a date and time such as 2026-02-03T09:30-05:00",
    list: "a list",
    dict: "a group of named answers",
    tuple: "a pair [from, to]",
    bool: "true or false",
}
_LONGEST = 60


def bad_value(model: type[BaseModel], name: str, value: Any, annotation: Any, metadata: Any = ()) -> str:
    """The sentence for a value that is not what ``annotation`` and its bounds want."""
    if sentence := _BAD.get(f"{model.__name__}.{name}"):
        return sentence.format(value=shown(value))
    if f"{model.__name__}.{name}" == "PlanLine.manoeuvre" and isinstance(value, list):
        return _MISSING["PlanLine.manoeuvre"]
    choices = _choices(annotation)
    if choices:
        return f"{_label(name)} '{shown(value)}' is not one of {', '.join(choices)}."
    return f"{_label(name)} '{shown(value)}' is not valid: give {_wanted(annotation, metadata)}."


def missing(model: type[BaseModel], name: str) -> str:
    """The sentence for a field that must be there."""
    return _MISSING.get(f"{model.__name__}.{name}", f"Field '{name}' is missing.")


def unknown_field(name: str, known: list[str]) -> str:
    """The sentence for a field this part does not have."""
    close = get_close_matches(name[:_LONGEST], known, 1)
    hint = f"did you mean '{close[0]}'?" if close else f"known are {', '.join(known)}."
    return f"Field '{shown(name)}' is not known here; {hint}"


def shown(value: Any) -> str:
    """A value in a sentence: as written, cut short when it is long."""
    if isinstance(value, dict | list):
        return "a list" if isinstance(value, list) else "a group of fields"
    text = str(value).lower() if isinstance(value, bool) else str(value)
    return text if len(text) <= _LONGEST else text[:_LONGEST] + "…"


def _label(name: str) -> str:
    label = _LABELS.get(name, name.replace("_", " "))
    return label[:1].upper() + label[1:]


def alternatives(annotation: Any) -> list[Any]:
    """The types of a union, or the one type there is."""
    if get_origin(annotation) is Annotated:
        return alternatives(get_args(annotation)[0])
    if get_origin(annotation) in (Union, types.UnionType):
        return [one for part in get_args(annotation) for one in alternatives(part)]
    return [annotation]


def _choices(annotation: Any) -> list[str]:
    """The words to choose from, if words are all there is."""
    kinds = [kind for kind in alternatives(annotation) if kind is not type(None)]
    if all(get_origin(kind) is Literal for kind in kinds):
        return [str(word) for kind in kinds for word in get_args(kind)]
    return []


def _wanted(annotation: Any, metadata: Any) -> str:
    if get_origin(annotation) is Annotated:
        inner, *more = get_args(annotation)
        return _wanted(inner, (*more, *metadata))
    if get_origin(annotation) in (Union, types.UnionType):
        kinds = [part for part in get_args(annotation) if part is not type(None)]
        return " or ".join(_wanted(kind, metadata) for kind in kinds)
    if get_origin(annotation) is Literal:
        return ", ".join(str(word) for word in get_args(annotation))
    return _KINDS.get(get_origin(annotation) or annotation, "a group of fields") + _bounds(metadata)


def _bounds(metadata: Any) -> str:
    low = high = above = None
    for bound in metadata:
        low = bound.ge if isinstance(bound, annotated_types.Ge) else low
        high = bound.le if isinstance(bound, annotated_types.Le) else high
        above = bound.gt if isinstance(bound, annotated_types.Gt) else above
        if isinstance(bound, annotated_types.MinLen):
            return " that is not empty"
    if low is not None and high is not None:
        return f" from {low} to {high}"
    if low is not None:
        return f", {low} or more"
    return f" above {above}" if above is not None else ""
