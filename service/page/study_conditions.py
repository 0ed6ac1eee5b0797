"""How well the view of a swallow study was, as recorded for the study as a whole."""

from collections.abc import Iterable
from datetime import date
from zoneinfo import ZoneInfo

from service.page.facts import answer
from service.records.attainment_studies import study_method
from service.records.seen import day_of
from service.records.worded import WordedObservation

__all__ = ["CONDITIONS", "StudyKey", "view_quality"]

CONDITIONS = "study-conditions"
"""Own code of the Observation that tells it."""

StudyKey = tuple[date, str]
"""What tells a person's studies apart: day and method."""


def view_quality(observed: Iterable[WordedObservation], zone: ZoneInfo) -> dict[StudyKey, str]:
    """The quality of the view in words, by study; without those of which it was not recorded."""
    found = {
        (day_of(one.effective, zone), study_method(one)): answer(one.part("view-quality"))
        for one in observed
        if one.in_force and one.own == CONDITIONS
    }
    return {(day, method): quality for (day, method), quality in found.items() if day and quality}
