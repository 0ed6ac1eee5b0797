"""The home plan in force: its exercises with dose and manner, and the stop rules that were explained."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from zoneinfo import ZoneInfo

from service.attainment.inputs import Plan
from service.page import words
from service.records.attainment_care import home_plans
from service.records.attainment_file import AttainmentFile
from service.records.views import Extension, exact
from service.records.worded import WordedRequest

__all__ = ["ExerciseRow", "HomePlanView", "home_plan"]

_OWN_WORDS = {"Saliva", "Water"}
"""What is practised with besides the levels of the standard, whose labels stay as they are."""


@dataclass(frozen=True, slots=True)
class ExerciseRow:
    """One exercise; what was not recorded is left out of its texts."""

    name: str
    dose: str
    how: str


@dataclass(frozen=True, slots=True)
class HomePlanView:
    """A plan: ``when`` it runs and whether it is active, in words; ``stop_rules`` as they were explained."""

    when: str
    exercises: tuple[ExerciseRow, ...]
    stop_rules: str


def home_plan(
    file: AttainmentFile, requests: Iterable[WordedRequest], day: date, zone: ZoneInfo
) -> HomePlanView | None:
    """The newest plan on file that had begun by ``day``; None without any."""
    known = {plan.reference: plan for plan in file.in_force().plans}
    begun = [plan for plan in home_plans(known.values(), zone) if plan.start <= day]
    if not begun:
        return None
    newest = begun[-1]
    plan = known[newest.reference]
    unsigned = any(one.awaits and one.reference == plan.encounter.reference for one in file.encounters)
    lines = {one.reference: one for one in requests if one.status != "entered-in-error"}
    named = (part.reference.target for part in plan.activity)
    return HomePlanView(
        when=_when(newest, plan.extended("plan-status-reason").value_string, unsigned=unsigned),
        exercises=tuple(_row(lines[name]) for name in named if name in lines),
        stop_rules=_stop_rules(plan.extended("plan-stop-rules")),
    )


def _when(plan: Plan, reason: str, *, unsigned: bool) -> str:
    until = f" to {words.day(plan.end)}" if plan.end else ""
    why = f": {reason}" if reason else ""
    state = "" if plan.status == "active" else f", {plan.status.replace('-', ' ')}{why}"
    return f"{words.day(plan.start)}{until}{state}{', of a visit that is not signed' if unsigned else ''}"


def _stop_rules(rules: Extension) -> str:
    text, explained = rules.within("text").value_string, rules.within("date").value_date
    if not text:
        return "none recorded as explained"
    taught = rules.within("teachBack").value_boolean
    told = f"explained {words.dated(explained) or 'on a day not recorded'}"
    return f"{text} ({told}{', taught back' if taught else ', not taught back' if taught is False else ''})"


def _row(one: WordedRequest) -> ExerciseRow:
    return ExerciseRow(one.code.words or "exercise not named", _dose(one), _how(one))


def _dose(one: WordedRequest) -> str:
    sets, times, days = (
        one.extended(f"exercise-{name}").number for name in ("sets", "sessions-per-day", "days-per-week")
    )
    weeks = one.occurrence_timing.repeat.bounds_duration
    repetitions = _number(exact(one.quantity_quantity.value), "repetitions")
    parts = (
        f"{sets} × {repetitions}" if sets and repetitions else repetitions,
        f"{times} a day" if times else "",
        f"{days} days a week" if days else "",
        _number(exact(weeks.value), "weeks") if weeks.code == "wk" else "",
    )
    return ", ".join(filter(None, parts)) or "not recorded"


def _how(one: WordedRequest) -> str:
    hold, percent = one.extended("exercise-hold"), one.extended("exercise-percent-of-maximum")
    effort = one.extended("exercise-effort").value_codeable_concept.text.lower()
    with_ = one.extended("exercise-practised-with").value_codeable_concept.text
    parts = (
        _number(exact(hold.value_quantity.value), "s", "hold "),
        f"{effort} effort" if effort else "",
        _number(exact(percent.value_quantity.value), "% of own maximum"),
        f"with {with_.lower() if with_ in _OWN_WORDS else with_}" if with_ else "",
        _meals(one.extended("exercise-meals").extension),
    )
    return ", ".join(filter(None, parts)) or "not recorded"


def _meals(parts: Sequence[Extension]) -> str:
    said = [one.value_code for one in parts if one.url == "timing"]
    said += [one.value_string for one in parts if one.url == "phase"]
    said += ["cough after" for one in parts if one.url == "coughAfter" and one.value_boolean]
    return f"at meals: {', '.join(filter(None, said))}" if said else ""


def _number(value: Fraction | None, unit: str, before: str = "") -> str:
    return "" if value is None else f"{before}{float(value):g} {unit}"
