"""Attention cues: reminders built from entered data, never a diagnosis.

The absence of a cue does not mean safety; whatever shows cues shows that sentence (``NO_CUE_IS_NOT_SAFETY``)
with them. Every limit is a setting of the site; None turns its cue off. The defaults are design choices,
the loss of weight (5 % in a month, 10 % in six) is common practice, no source; 9 points of the EAT-10 are the
approximate reliable change (``reliable_change.py``).
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from fractions import Fraction

from service.attainment.goals import Value
from service.attainment.like_for_like import compare_studies
from service.attainment.study import Swallow

__all__ = ["NO_CUE_IS_NOT_SAFETY", "Cue", "CueFacts", "CueLimits", "Study", "cues"]

NO_CUE_IS_NOT_SAFETY = (
    "Attention cues are reminders built from entered data; absence of a cue does not mean safety."
)
_MONTH, _HALF_YEAR = timedelta(days=31), timedelta(days=183)
_EFFORTS = ("light", "medium", "strong")


@dataclass(frozen=True, slots=True)
class CueLimits:
    """When a cue is given; None: never. Losses and falls are positive numbers."""

    score_on_diet: int | None = 7
    group_worse: bool = True
    new_silent: bool = True
    intake_fall: int | None = 1
    eat10_rise: int | None = 9
    weight_loss_month: Fraction | None = Fraction(5, 100)
    weight_loss_half_year: Fraction | None = Fraction(10, 100)
    red_flags: bool = True
    pneumonia: bool = True
    hold_seconds: Fraction | None = Fraction(10)
    effort: bool = True
    practice_symptoms: bool = True
    closure_fall_trials: int | None = 2
    over_confidence: Fraction | None = Fraction(2, 5)
    days_without_log: int | None = 14
    screen_days: int | None = 90


@dataclass(frozen=True, slots=True)
class Study:
    """A swallow study's day and swallows."""

    day: date
    swallows: tuple[Swallow, ...]


@dataclass(frozen=True, slots=True)
class CueFacts:
    """What is on file up to ``as_of``; every series in time order, what is not known is empty or None.

    ``closure`` are probes (k of n trials), ``bias`` own judgement less observation, -1 to 1. ``diet`` are the
    IDDSI levels taken now. ``red_flags``, ``pneumonia`` are of the newest visit, ``practice_symptoms`` since
    the visit before it; ``hold_seconds`` is the longest and ``effort`` the strongest of that visit, held
    against ``effort_limit``. ``plan_start`` is None without a plan.
    """

    as_of: date
    studies: Sequence[Study] = ()
    diet: frozenset[int] = frozenset()
    intake: Sequence[Value] = ()
    eat10: Sequence[Value] = ()
    weight: Sequence[Value] = ()
    red_flags: Sequence[str] = ()
    pneumonia: int = 0
    hold_seconds: Fraction | None = None
    effort: str = ""
    effort_limit: str = ""
    practice_symptoms: Sequence[str] = ()
    closure: Sequence[Value] = ()
    bias: Sequence[Value] = ()
    plan_start: date | None = None
    last_log: date | None = None
    screen: date | None = None


@dataclass(frozen=True, slots=True)
class Cue:
    """A short ``code`` and a sentence with the numbers it rests on."""

    code: str
    sentence: str
    numbers: Mapping[str, object] = field(default_factory=dict)


def cues(facts: CueFacts, limits: CueLimits | None = None) -> tuple[Cue, ...]:
    """Every cue the facts give, in a fixed order."""
    chosen = limits or CueLimits()
    return tuple(cue for rule in _RULES for cue in rule(facts, chosen))


def _score_on_diet(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    least = limits.score_on_diet
    newest = facts.studies[-1].swallows if facts.studies else ()
    for one in newest:
        if (
            least is not None
            and one.score is not None
            and one.score >= least
            and one.consistency in facts.diet
        ):
            text = f"Airway score {one.score} on level {one.consistency}, which is on the current diet."
            yield Cue("score-on-diet", text, {"score": one.score, "level": one.consistency})


def _group_worse(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    if not limits.group_worse or len(facts.studies) < 2:
        return
    for one in compare_studies(*(study.swallows for study in facts.studies[-2:])).pairs:
        if one.group_effect == "worse":
            text = f"Airway group on level {one.consistency} is worse than in the study before, same bolus."
            yield Cue("group-worse", text, {"before": one.first, "now": one.second})


def _new_silent(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    silent = [any(one.score == 8 for one in study.swallows) for study in facts.studies]
    if limits.new_silent and silent and silent[-1] and not any(silent[:-1]):
        yield Cue("new-silent", "The newest study is the first with an airway score of 8.")


def _intake(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    yield from _moved("intake-fall", "Oral intake level fell", facts.intake, limits.intake_fall, sign=-1)


def _eat10(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    yield from _moved("eat10-rise", "The EAT-10 total rose", facts.eat10, limits.eat10_rise, sign=1)


def _moved(code: str, what: str, values: Sequence[Value], least: int | None, *, sign: int) -> Iterator[Cue]:
    """The newest value against the one before."""
    if least is None or len(values) < 2:
        return
    before, now = values[-2].value, values[-1].value
    if sign * (now - before) >= least:
        text = f"{what} from {float(before):g} to {float(now):g}."
        yield Cue(code, text, {"before": before, "now": now})


def _weight(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    windows = ((_MONTH, limits.weight_loss_month), (_HALF_YEAR, limits.weight_loss_half_year))
    for window, share in windows:
        if share is None or not facts.weight:
            continue
        now = facts.weight[-1]
        most = max(one.value for one in facts.weight if one.day >= now.day - window)
        if most > 0 and (most - now.value) / most >= share:
            text = f"Weight is down {float(100 * (most - now.value) / most):.1f} % within {window.days} days."
            yield Cue("weight-loss", text, {"before": most, "now": now.value})


def _flags(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    if limits.red_flags and facts.red_flags:
        yield Cue("red-flag", f"Red flags answered yes: {', '.join(facts.red_flags)}.")


def _pneumonia(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    if limits.pneumonia and facts.pneumonia > 0:
        yield Cue("pneumonia", "Pneumonia since the visit before.", {"count": facts.pneumonia})


def _hold(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    longest, limit = facts.hold_seconds, limits.hold_seconds
    if limit is not None and longest is not None and longest > limit:
        text = f"A breath-hold lasted {float(longest):g} s; the limit is {float(limit):g} s."
        yield Cue("hold-long", text, {"seconds": longest})


def _effort(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    known = facts.effort in _EFFORTS and facts.effort_limit in _EFFORTS
    if limits.effort and known and _EFFORTS.index(facts.effort) > _EFFORTS.index(facts.effort_limit):
        yield Cue("effort-high", f"Effort was {facts.effort}; cleared is {facts.effort_limit}.")


def _symptoms(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    if limits.practice_symptoms and facts.practice_symptoms:
        yield Cue("practice-symptom", f"Symptoms with practice: {', '.join(facts.practice_symptoms)}.")


def _closure(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    """Both of the last two probes against the one before them, in whole trials of the same number."""
    fall, last = limits.closure_fall_trials, [one for one in facts.closure if one.k is not None][-3:]
    if fall is None or len(last) < 3 or len({one.n for one in last}) > 1:
        return
    before, *two = [one.k or 0 for one in last]
    if all(before - k >= fall for k in two):
        text = f"Closed trials fell from {before} to {two[0]} and {two[1]} of {last[0].n}."
        yield Cue("closure-fall", text, {"before": before, "then": two[0], "now": two[1]})


def _confidence(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    last = [one.value for one in facts.bias[-2:]]
    if limits.over_confidence is not None and len(last) == 2 and min(last) >= limits.over_confidence:
        text = f"Over-confident at the last two measured visits ({float(last[0]):+g}, {float(last[1]):+g})."
        yield Cue("over-confident", text, {"before": last[0], "now": last[1]})


def _log(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    if limits.days_without_log is None or facts.plan_start is None:
        return
    since = max(facts.plan_start, facts.last_log or facts.plan_start)
    days = (facts.as_of - since).days
    if days >= limits.days_without_log:
        yield Cue("no-log", f"No practice log for {days} days.", {"days": days})


def _screen(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    if limits.screen_days is None:
        return
    if facts.screen is None:
        yield Cue("screen-old", "There is no safety screen.")
    elif (days := (facts.as_of - facts.screen).days) > limits.screen_days:
        yield Cue("screen-old", f"The safety screen is {days} days old.", {"days": days})


_RULES: tuple[Callable[[CueFacts, CueLimits], Iterator[Cue]], ...] = (
    _score_on_diet,
    _group_worse,
    _new_silent,
    _intake,
    _eat10,
    _weight,
    _flags,
    _pneumonia,
    _hold,
    _effort,
    _symptoms,
    _closure,
    _confidence,
    _log,
    _screen,
)
