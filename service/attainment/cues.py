"""Attention cues: reminders built from entered data, never a diagnosis.

The absence of a cue does not mean safety; whatever shows cues shows that sentence (``NO_CUE_IS_NOT_SAFETY``)
with them. Every limit is a setting of the site; None turns its cue off. The defaults are design choices,
the loss of weight (5 % in a month, 10 % in six) is common practice, no source; 9 points of the EAT-10 are the
approximate reliable change (``reliable_change.py``).
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from fractions import Fraction

from service.attainment.goals import Value
from service.attainment.inputs import Exertion, Noted, Plan
from service.attainment.like_for_like import Compared, compare_studies, study_before
from service.attainment.study import Study

__all__ = ["NO_CUE_IS_NOT_SAFETY", "Cue", "CueFacts", "CueLimits", "cues"]

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
class CueFacts:
    """What is on file up to ``as_of``; every series in time order, what is not known is empty or None.

    ``closure`` are probes (k of n trials), ``bias`` own judgement less observation, -1 to 1. ``diet`` are the
    drink and food levels (IDDSI) taken now. ``red_flags``, ``pneumonia`` and ``exertion`` are of the newest
    visit, ``symptoms`` came with practice since the visit before it. ``plan`` is None unless one is in force
    and active; ``last_log`` is dated by the last day a returned log covers. ``screen_needed``: breath-holding
    is being trained.
    """

    as_of: date
    studies: Sequence[Study] = ()
    diet: Sequence[Value] = ()
    intake: Sequence[Value] = ()
    eat10: Sequence[Value] = ()
    weight: Sequence[Value] = ()
    red_flags: Noted | None = None
    pneumonia: Value | None = None
    exertion: Exertion | None = None
    effort_limit: Noted | None = None
    symptoms: Sequence[Noted] = ()
    closure: Sequence[Value] = ()
    bias: Sequence[Value] = ()
    plan: Plan | None = None
    last_log: Noted | None = None
    screen: Noted | None = None
    screen_needed: bool = False


@dataclass(frozen=True, slots=True)
class Cue:
    """A short ``code``, a sentence with the numbers it rests on, and where they stand."""

    code: str
    sentence: str
    numbers: Mapping[str, object] = field(default_factory=dict)
    evidence: tuple[str, ...] = ()


def cues(facts: CueFacts, limits: CueLimits | None = None) -> tuple[Cue, ...]:
    """Every cue the facts give, in a fixed order: red flags before all others."""
    chosen = limits or CueLimits()
    return tuple(cue for rule in _RULES for cue in rule(facts, chosen))


def _score_on_diet(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    """The worst score of each level of the current diet, in the newest study."""
    least = limits.score_on_diet
    newest = facts.studies[-1].swallows if facts.studies and least is not None else ()
    for level, value in {int(value.value): value for value in facts.diet}.items():
        scored = [one for one in newest if one.consistency == level and one.score is not None]
        worst = max(scored, key=lambda one: one.score or 0, default=None)
        if worst is not None and (worst.score or 0) >= (least or 0):
            text = f"Airway score {worst.score} on level {level}, which is on the current diet."
            numbers = {"score": worst.score, "level": level}
            yield Cue("score-on-diet", text, numbers, _named(worst.evidence, *value.evidence))


def _group_worse(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    newest = facts.studies[-1] if facts.studies else None
    before = study_before(facts.studies[:-1], newest) if newest else None
    if not limits.group_worse or newest is None or before is None:
        return
    for one in compare_studies(before, newest).pairs:
        if one.group_effect == "worse":
            text = (
                f"Airway score {one.second} after {one.first} in the study before, same bolus: {_kind(one)}."
            )
            yield Cue("group-worse", text, {"before": one.first, "now": one.second}, one.evidence)


def _kind(bolus: Compared) -> str:
    how = f"{float(bolus.volume):g} mL" if bolus.volume is not None else bolus.amount
    parts = (f"level {bolus.consistency}", how, bolus.manoeuvre.replace("-", " "))
    return ", ".join(part for part in parts if part)


def _new_silent(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    silent = [[one.evidence for one in study.swallows if one.score == 8] for study in facts.studies]
    if limits.new_silent and silent and silent[-1] and not any(silent[:-1]):
        text = "The newest study is the first with an airway score of 8."
        yield Cue("new-silent", text, {"swallows": len(silent[-1])}, _named(*silent[-1]))


def _intake(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    yield from _moved("intake-fall", "Oral intake level fell", facts.intake, limits.intake_fall, sign=-1)


def _eat10(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    yield from _moved("eat10-rise", "The EAT-10 total rose", facts.eat10, limits.eat10_rise, sign=1)


def _moved(code: str, what: str, values: Sequence[Value], least: int | None, *, sign: int) -> Iterator[Cue]:
    """The newest value against the best of the half year before: a slow decline is one too."""
    if least is None or not values:
        return
    now = values[-1]
    best = max(_within(values, _HALF_YEAR), key=lambda one: (-sign * one.value, one.day))
    if sign * (now.value - best.value) >= least:
        text = f"{what} from {float(best.value):g} ({best.day}) to {float(now.value):g}."
        yield Cue(code, text, {"before": best.value, "now": now.value}, _sources((best, now)))


def _weight(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    """The newest weight against the highest of each window; one loss is said once."""
    windows = ((_MONTH, limits.weight_loss_month), (_HALF_YEAR, limits.weight_loss_half_year))
    said: set[date] = set()
    for window, share in windows:
        if share is None or not facts.weight:
            continue
        now = facts.weight[-1]
        most = max(_within(facts.weight, window), key=lambda one: one.value)
        lost = (most.value - now.value) / most.value if most.value > 0 else Fraction(0)
        if lost >= share and most.day not in said:
            said.add(most.day)
            text = f"Weight is down {float(100 * lost):.1f} % since {most.day}."
            numbers = {"before": most.value, "now": now.value, "days": (now.day - most.day).days}
            yield Cue("weight-loss", text, numbers, _sources((most, now)))


def _flags(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    found = facts.red_flags
    if limits.red_flags and found and found.words:
        words = ", ".join(word.replace("-", " ") for word in found.words)
        text = f"Red flags answered yes on {found.day}: {words}."
        yield Cue("red-flag", text, {"count": len(found.words)}, found.evidence)


def _pneumonia(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    found = facts.pneumonia
    if limits.pneumonia and found and found.value > 0:
        text = "Pneumonia since the visit before."
        yield Cue("pneumonia", text, {"count": found.value}, found.evidence)


def _hold(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    longest, limit = facts.exertion.hold if facts.exertion else None, limits.hold_seconds
    if limit is not None and longest is not None and longest.value > limit:
        text = f"A breath-hold lasted {float(longest.value):g} s; the limit is {float(limit):g} s."
        yield Cue("hold-long", text, {"seconds": longest.value, "limit": limit}, longest.evidence)


def _effort(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    done, cleared = facts.exertion.effort if facts.exertion else None, facts.effort_limit
    if not limits.effort or done is None or cleared is None:
        return
    levels = [_EFFORTS.index(word) for word in (*done.words, *cleared.words) if word in _EFFORTS]
    if len(levels) == 2 and levels[0] > levels[1]:
        text = f"Effort was {done.words[0]}; cleared is {cleared.words[0]}."
        yield Cue("effort-high", text, {}, (*done.evidence, *cleared.evidence))


def _symptoms(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    if limits.practice_symptoms and facts.symptoms:
        words = dict.fromkeys(word for noted in facts.symptoms for word in noted.words)
        text = f"Symptoms with practice: {', '.join(words)}."
        yield Cue("practice-symptom", text, {"days": len(facts.symptoms)}, _sources(facts.symptoms))


def _closure(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    """Both of the last two probes against the best before them, in whole trials of the same number."""
    fall, probes = limits.closure_fall_trials, [one for one in facts.closure if one.k is not None]
    last = probes[-2:]
    before = [one for one in _within(probes, _HALF_YEAR)[:-2] if one.n == last[-1].n]
    if fall is None or not before or len({one.n for one in last}) > 1:
        return
    best = max(before, key=lambda one: (one.k or 0, one.day))
    k, then, now = (one.k or 0 for one in (best, *last))
    if max(then, now) <= k - fall:
        text = f"Closed trials fell from {k} ({best.day}) to {then} and {now} of {best.n}."
        numbers = {"before": k, "then": then, "now": now, "trials": best.n}
        yield Cue("closure-fall", text, numbers, _sources((best, *last)))


def _confidence(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    last = [one.value for one in facts.bias[-2:]]
    if limits.over_confidence is not None and len(last) == 2 and min(last) >= limits.over_confidence:
        text = f"Over-confident at the last two measured visits ({float(last[0]):+g}, {float(last[1]):+g})."
        yield Cue("over-confident", text, {"before": last[0], "now": last[1]}, _sources(facts.bias[-2:]))


def _log(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    if limits.days_without_log is None or facts.plan is None:
        return
    start, last = facts.plan.start, facts.last_log
    days = (facts.as_of - max(start, last.day if last else start)).days
    if days >= limits.days_without_log:
        text = f"No practice log for {days} days."
        yield Cue("no-log", text, {"days": days}, (facts.plan.reference, *(last.evidence if last else ())))


def _screen(facts: CueFacts, limits: CueLimits) -> Iterator[Cue]:
    if limits.screen_days is None or not facts.screen_needed:
        return
    if facts.screen is None:
        yield Cue("screen-old", "There is no safety screen.")
    elif (days := (facts.as_of - facts.screen.day).days) > limits.screen_days:
        text = f"The safety screen is {days} days old."
        yield Cue("screen-old", text, {"days": days, "limit": limits.screen_days}, facts.screen.evidence)


def _within(values: Sequence[Value], window: timedelta) -> list[Value]:
    """The newest value and those at most so long before it."""
    return [one for one in values if one.day >= values[-1].day - window] if values else []


def _sources(found: Iterable[Value | Noted]) -> tuple[str, ...]:
    return _named(*(source for one in found for source in one.evidence))


def _named(*sources: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(source for source in sources if source))


_RULES: tuple[Callable[[CueFacts, CueLimits], Iterator[Cue]], ...] = (
    _flags,
    _score_on_diet,
    _group_worse,
    _new_silent,
    _intake,
    _eat10,
    _weight,
    _pneumonia,
    _hold,
    _effort,
    _symptoms,
    _closure,
    _confidence,
    _log,
    _screen,
)
