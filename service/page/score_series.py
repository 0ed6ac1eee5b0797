"""Oral intake level, EAT-10 total and weight over time, whether or not a goal is about them."""

from service.attainment.answers import PatientAnswer, Score
from service.page import view_model as page
from service.page.reasons import reliable_words
from service.page.scales import scale

__all__ = ["score_series"]


def score_series(answer: PatientAnswer) -> tuple[page.GoalView, ...]:
    """Each as a series without a target, drawn like a goal."""
    return tuple(_series(score) for score in answer.scores if score.values)


def _series(score: Score) -> page.GoalView:
    measure = scale(score.measure, score.values)
    readings = tuple(page.Reading(value.day, value.value) for value in score.values)
    return page.GoalView(
        id=score.measure,
        description=measure.name,
        measure=measure,
        target=None,
        target_words="",
        baseline=readings[0],
        latest=readings[-1],
        readings=readings,
        reliable_change=reliable_words(score.reliable_change, score.values[0], score.values[-1], measure),
    )
