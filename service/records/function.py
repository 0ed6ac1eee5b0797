"""Functional intake and what the patient reports: one Observation per thing."""

from service.records.draft import US_CORE, Draft
from service.records.elements import Element, coded, measured, whole
from service.records.visit import Function

__all__ = ["add_function"]

_SURVEY = ("survey", "functional-status")
_SIMPLE = f"{US_CORE}us-core-simple-observation"
_BODY_WEIGHT = "http://hl7.org/fhir/StructureDefinition/bodyweight"


def add_function(draft: Draft, function: Function) -> None:
    """Everything the record says about function."""
    for path, code, value in _simple(draft, function):
        if value is not None:
            draft.observe(f"function/{path}", code, _SURVEY, value, profile=_SIMPLE)
    if function.eat10_total is not None or function.eat10_items:
        _add_questionnaire_total(draft, function)
    if function.weight_kg is not None:
        weight = measured(function.weight_kg, "kg")
        draft.observe("function/weight", "body-weight", ("vital-signs",), weight, profile=_BODY_WEIGHT)


def _simple(draft: Draft, function: Function) -> list[tuple[str, str, Element | None]]:
    """Path, code and value of each; None where nothing was said."""
    level = function.oral_intake_level
    pneumonia = function.pneumonia_since_last_visit
    minutes = function.meal_minutes
    return [
        ("oral-intake-level", "oral-intake-7", None if level is None else whole(level)),
        ("tube", "tube-in-use", coded(draft.codes.answer(function.tube)) if function.tube else None),
        ("pneumonia", "pneumonia-since-last-visit", None if pneumonia is None else whole(pneumonia)),
        ("liquid-level", "liquid-level", _level(draft, function.liquid_level)),
        ("food-level", "food-level", _level(draft, function.food_level)),
        ("meal-duration", "meal-duration", None if minutes is None else measured(minutes, "min")),
    ]


def _level(draft: Draft, level: int | None) -> Element | None:
    return None if level is None else coded(draft.codes.answer(f"iddsi {level}"))


def _add_questionnaire_total(draft: Draft, function: Function) -> None:
    """The total and the ten numbers; no total is made up where the record gives none."""
    items = [
        part
        for number, answer in enumerate(function.eat10_items or (), 1)
        for part in draft.component(f"eat10-item-{number}", whole(answer))
    ]
    value = None if function.eat10_total is None else whole(function.eat10_total)
    draft.observe(
        "function/eat10-total",
        "eat10-total",
        _SURVEY,
        value,
        components=items,
        performer=[draft.patient],
        profile=_SIMPLE,
    )
