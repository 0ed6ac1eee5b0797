"""What is drawn from: ``mappings/synthetic/registry.json``, read once; ``README.md`` beside explains it."""

from dataclasses import dataclass
from datetime import date
from functools import cache

import msgspec

from service.shipped import shipped
from service.synthetic.chance import Weighted

__all__ = [
    "Adherence",
    "Age",
    "Condition",
    "Course",
    "Ending",
    "Gap",
    "Judging",
    "Learnt",
    "Parameters",
    "Period",
    "Site",
    "TrialChances",
    "conditions_at",
    "parameters",
    "sites_of",
]


@dataclass(frozen=True, slots=True)
class Period:
    """Days, both included."""

    start: date
    end: date


@dataclass(frozen=True, slots=True)
class Site:
    """A clinic: its weight, how much harder its people begin (logit), how it looks at swallowing, its place.

    ``stroke_odds`` multiplies the share of people after a stroke.
    """

    name: str
    size: float
    severity: float
    method: str
    state: str
    postal_code: str
    stroke_odds: float


@dataclass(frozen=True, slots=True)
class Condition:
    """A cause: its share, ICD-10-CM code, mean age at the first visit, mean logit of the first probe."""

    name: str
    share: float
    code: str
    display: str
    age: float
    start: float
    stroke: bool = False


@dataclass(frozen=True, slots=True)
class Age:
    """Years at the first visit: standard deviation around the condition's mean, and the limits."""

    spread: float
    lowest: int
    highest: int


@dataclass(frozen=True, slots=True)
class Course:
    """How the logit of closing moves from visit to visit: by ``step``, after some steps by ``then``."""

    name: str
    share: float
    step: float
    fewest_visits: int
    turns_after: int = 0
    then: float | None = None

    def moves(self, step: int) -> float:
        """What the step of this number (from 1) adds to the logit, before adherence."""
        return self.step if self.then is None or step <= self.turns_after else self.then


@dataclass(frozen=True, slots=True)
class Gap:
    """The share of people with a gap in their visits, and how many days it adds."""

    share: float
    days: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Ending:
    """A way to leave early, and its chance after each training visit."""

    name: str
    hazard: float


@dataclass(frozen=True, slots=True)
class Adherence:
    """The chance that a prescribed day is done: mean, spread and limits over people.

    ``effect`` is what one whole unit of it above the mean adds to the logit at each step.
    """

    mean: float
    spread: float
    lowest: float
    highest: float
    effect: float
    log_not_returned: float


@dataclass(frozen=True, slots=True)
class Judging:
    """How somebody judges their own trials at first: the chance to say closed of closed and of open ones."""

    name: str
    share: float
    closed_said_of_closed: float
    closed_said_of_open: float


@dataclass(frozen=True, slots=True)
class Learnt:
    """What judging comes to with training; of the distance to it so much is kept from visit to visit."""

    closed_said_of_closed: float
    closed_said_of_open: float
    kept_each_visit: float


@dataclass(frozen=True, slots=True)
class TrialChances:
    """Chances of a trial not to be seen and of a judgement 'unsure'; what blocks add to the logit."""

    not_observable: float
    unsure: float
    after_training: float
    with_feedback: float


@dataclass(frozen=True, slots=True)
class Parameters:
    """Everything that is drawn from."""

    version: str
    first_visits: Period
    data_until: date
    sites: tuple[Site, ...]
    conditions: tuple[Condition, ...]
    age: Age
    start_spread: float
    courses: Weighted[Course]
    most_visits: int
    days_between_visits: tuple[int, int]
    gap: Gap
    endings: tuple[Ending, ...]
    adherence: Adherence
    own_judgement: Weighted[Judging]
    learnt: Learnt
    trial: TrialChances


@cache
def parameters() -> Parameters:
    """Read the shipped parameters."""
    tree = msgspec.json.decode(shipped("mappings", "synthetic", "registry.json").read_bytes())
    courses = msgspec.convert(tree["courses"], tuple[Course, ...])
    judging = msgspec.convert(tree["own_judgement"], tuple[Judging, ...])
    first = tree["first_visits"]
    return Parameters(
        version=tree["version"],
        first_visits=Period(date.fromisoformat(first["from"]), date.fromisoformat(first["until"])),
        data_until=date.fromisoformat(tree["data_until"]),
        sites=msgspec.convert(tree["sites"], tuple[Site, ...], strict=False),
        conditions=msgspec.convert(tree["conditions"], tuple[Condition, ...]),
        age=msgspec.convert(tree["age"], Age),
        start_spread=tree["start_spread"],
        courses=Weighted(courses, [one.share for one in courses]),
        most_visits=tree["most_visits"],
        days_between_visits=msgspec.convert(tree["days_between_visits"], tuple[int, int]),
        gap=msgspec.convert(tree["gap"], Gap),
        endings=msgspec.convert(tree["endings"], tuple[Ending, ...]),
        adherence=msgspec.convert(tree["adherence"], Adherence),
        own_judgement=Weighted(judging, [one.share for one in judging]),
        learnt=msgspec.convert(tree["own_judgement_learnt"], Learnt),
        trial=msgspec.convert(tree["trial"], TrialChances),
    )


@cache
def sites_of(number: int) -> Weighted[Site]:
    """The first ``number`` sites by their size."""
    sites = parameters().sites[:number]
    return Weighted(sites, [site.size for site in sites])


@cache
def conditions_at(site: Site) -> Weighted[Condition]:
    """The case mix of a site."""
    known = parameters().conditions
    return Weighted(known, [one.share * (site.stroke_odds if one.stroke else 1) for one in known])
