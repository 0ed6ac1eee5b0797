"""What is asked of a cohort: who belongs to it, by what it is told apart, and how small a count may be."""

from dataclasses import dataclass, field
from typing import Final, get_args

from service.attainment.measures import MEASURES
from service.deidentify.cells import SMALLEST_TOLD
from service.errors import InvalidInput, Issue, IssueType, Place
from service.jobs.cohort_words import Stratum

__all__ = ["STRATA", "Question", "question"]

STRATA: Final[tuple[Stratum, ...]] = get_args(Stratum)


@dataclass(frozen=True, slots=True)
class Question:
    """Everything empty asks for everybody.

    ``sites`` are folders of tables by name; ``conditions`` beginnings of condition codes; ``ages`` age
    classes as the tables have them, or of ten years (``60-69``); ``first_visit`` the first and last year of
    a first visit; ``policies`` names of release policies. ``by`` is what groups are told apart by.
    """

    measures: tuple[str, ...] = tuple(MEASURES)
    sites: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    ages: tuple[str, ...] = ()
    first_visit: tuple[int, int] | None = None
    policies: tuple[str, ...] = ()
    by: Stratum | None = None
    smallest: int = field(default=SMALLEST_TOLD)


def question(given: dict[str, list[str]], smallest: int = SMALLEST_TOLD) -> Question:
    """Read a question from texts by name; InvalidInput names everything that can't be asked."""
    measures = tuple(dict.fromkeys(given.get("measure", [])))
    problems = [
        _problem("measure", f"'{name[:40]}' is not one of {', '.join(MEASURES)}.")
        for name in measures
        if name not in MEASURES
    ]
    by = (given.get("by") or [""])[0]
    if by and by not in STRATA:
        problems.append(_problem("by", f"'{by[:40]}' is not one of {', '.join(STRATA)}."))
    years = _years((given.get("first-visit") or [""])[0], problems)
    if problems:
        raise InvalidInput(problems)
    return Question(
        measures or tuple(MEASURES),
        tuple(given.get("site", [])),
        tuple(given.get("condition", [])),
        tuple(given.get("age", [])),
        years,
        tuple(given.get("policy", [])),
        next((one for one in STRATA if one == by), None),
        smallest,
    )


def _years(text: str, problems: list[Issue]) -> tuple[int, int] | None:
    """``2025`` or ``2024..2026``."""
    if not text:
        return None
    first, _, last = text.partition("..")
    found = (first, last or first)
    if not all(len(one) == 4 and one.isascii() and one.isdigit() for one in found) or found[1] < found[0]:
        problems.append(_problem("first-visit", f"'{text[:40]}' is not a year or two, such as 2024..2026."))
        return None
    return int(found[0]), int(found[1])


def _problem(name: str, text: str) -> Issue:
    return Issue(text, code=IssueType.VALUE, place=Place(f"http.{name}"))
