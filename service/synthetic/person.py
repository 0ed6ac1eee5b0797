"""Who an invented person is, and the truth behind everything that will be observed of them."""

from dataclasses import dataclass
from datetime import date, timedelta

from service.synthetic.chance import Chance
from service.synthetic.parameters import (
    Condition,
    Course,
    Judging,
    Site,
    conditions_at,
    parameters,
    sites_of,
)

__all__ = ["Truth", "truth"]


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of a person and in no record.

    ``logits`` are the log odds of closing in the opening probe of each training visit that was planned.
    ``ending`` is how they leave after the training visit ``ends_after`` (empty: as planned). ``gap_before``
    is the training visit before which there is a gap, 0 for none. ``adherence`` is the chance that a
    prescribed day is done.
    """

    id: str
    site: Site
    condition: Condition
    course: Course
    judging: Judging
    gender: str
    born: date
    first_visit: date
    logits: tuple[float, ...]
    adherence: float
    gap_before: int
    ending: str
    ends_after: int

    @property
    def visits(self) -> int:
        """Training visits until the person leaves."""
        return self.ends_after if self.ending else len(self.logits)


def truth(id_: str, chance: Chance, sites: int) -> Truth:
    """Draw a person of one of the first ``sites`` sites."""
    known = parameters()
    site = chance.drawn(sites_of(sites))
    condition = chance.drawn(conditions_at(site))
    course = chance.drawn(known.courses)
    judging = chance.drawn(known.own_judgement)
    begins = known.first_visits
    first_visit = begins.start + timedelta(chance.whole(0, (begins.end - begins.start).days))
    adherence = _adherence(chance)
    planned = chance.whole(course.fewest_visits, known.most_visits)
    ending, after = _ending(chance, planned)
    return Truth(
        id=id_,
        site=site,
        condition=condition,
        course=course,
        judging=judging,
        gender=chance.one(("female", "male")),
        born=_born(chance, condition, first_visit),
        first_visit=first_visit,
        logits=_logits(
            chance.normal(condition.start - site.severity, known.start_spread), course, adherence, planned
        ),
        adherence=adherence,
        gap_before=chance.whole(2, planned) if chance.happens(known.gap.share) else 0,
        ending=ending,
        ends_after=after,
    )


def _adherence(chance: Chance) -> float:
    known = parameters().adherence
    return min(max(chance.normal(known.mean, known.spread), known.lowest), known.highest)


def _ending(chance: Chance, planned: int) -> tuple[str, int]:
    """How and after which training visit the person leaves early; nothing for who stays to the end."""
    for visit in range(1, planned + 1):
        at = chance.uniform()
        for ending in parameters().endings:
            if at < ending.hazard:
                return ending.name, visit
            at -= ending.hazard
    return "", 0


def _born(chance: Chance, condition: Condition, first_visit: date) -> date:
    known = parameters().age
    years = min(max(chance.normal(condition.age, known.spread), known.lowest), known.highest)
    return first_visit - timedelta(int(years * 365.25))


def _logits(start: float, course: Course, adherence: float, planned: int) -> tuple[float, ...]:
    known = parameters().adherence
    practice = known.effect * (adherence - known.mean)
    found = [start]
    for step in range(1, planned):
        found.append(found[-1] + course.moves(step) + practice)
    return tuple(found)
