"""How values are written for people: the only place that rounds."""

import re
from datetime import date
from fractions import Fraction

from service.attainment.airway import GROUPS
from service.attainment.intervals import Interval
from service.page.view_model import Count, GoalView, Measure, Practice, Reading

__all__ = [
    "FEW_TRIALS",
    "STATUS",
    "any_after",
    "any_agreement",
    "bias",
    "count",
    "criterion",
    "dated",
    "day",
    "days_since",
    "differ",
    "direction",
    "due",
    "interval",
    "legend",
    "level",
    "limits",
    "met",
    "notes",
    "percent",
    "plural",
    "practice",
    "rough",
    "score_groups",
    "signed",
    "status",
    "study",
    "value",
]

FEW_TRIALS = 20
"""Below this many trials the reading's roughness is spelled out in a sentence."""

STATUS = {
    "": "not yet measured",
    "in-progress": "in progress",
    "improving": "improving",
    "worsening": "worsening",
    "no-change": "no change",
    "achieved": "achieved",
    "sustaining": "sustaining",
    "not-achieved": "not achieved",
    "no-progress": "no progress",
    "not-attainable": "not attainable",
}
"""The codes of goal-achievement in words."""


_ISO_DAY = re.compile(r"\b\d{4}-\d\d-\d\d\b")

METHODS = {
    "endoscopic": "endoscopic study",
    "videofluoroscopic": "X-ray study (videofluoroscopic)",
    "": "method not recorded",
}
"""How a study was done, in words."""


def day(when: date | None) -> str:
    """``24 Mar 2026``, or a dash in words."""
    return f"{when.day} {when:%b %Y}" if when else "not recorded"


def dated(sentence: str) -> str:
    """A sentence of the computed answer with its days as the page writes them."""
    return _ISO_DAY.sub(_dated, sentence)


def _dated(found: re.Match[str]) -> str:
    try:
        return day(date.fromisoformat(found[0]))
    except ValueError:  # somebody's own words
        return found[0]


def status(code: str) -> str:
    """A goal-achievement code in words; none is "not yet measured"."""
    return STATUS.get(code, code)


def study(method: str, view: str) -> str:
    """``endoscopic study, view limited``; ``view`` is the quality of the view in words, empty for none."""
    return f"{METHODS.get(method, method)}, {f'view {view}' if view else 'quality of the view not recorded'}"


def _rounded(number: Fraction | float, places: int) -> str:
    text = f"{float(number):.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def value(measure: Measure, number: Fraction | float | None) -> str:
    """A value with its unit: ``80 %``, ``level 5``, ``22 points``, ``4.5 s``, ``+0.2``."""
    if number is None:
        return "not measured"
    if measure.kind == "levels":
        return f"{measure.unit} {level(measure, number)}"
    text = _rounded(number, 0 if measure.unit == "%" else 1 if measure.unit else 2)
    if measure.low < 0 < float(number):
        text = f"+{text}"
    return f"{text} {measure.unit}".strip()


def level(measure: Measure, number: Fraction | float) -> str:
    """The name of one step of an ordinal scale; airway-entry groups are letters A-D."""
    return "?ABCD"[int(number)] if measure.unit == "group" else _rounded(number, 0)


def count(trials: Count | None) -> str:
    """``4 of 5``, or nothing."""
    return f"{trials.k} of {trials.n}" if trials else ""


def interval(reading: Reading, measure: Measure) -> str:
    """``38 % to 96 %``, or nothing where the measure has no interval."""
    if reading.low is None or reading.high is None:
        return ""
    return f"{value(measure, reading.low)} to {value(measure, reading.high)}"


def rough(reading: Reading | None, measure: Measure) -> str:
    """The sentence that stands beside every percentage of few trials."""
    if reading is None or reading.trials is None or reading.trials.n >= FEW_TRIALS or reading.low is None:
        return ""
    return (
        f"{count(reading.trials)}; with so few trials the true rate could be about "
        f"{interval(reading, measure)}."
    )


def direction(measure: Measure) -> str:
    """Which side is wanted; nothing where neither is."""
    return f"{measure.better} is better" if measure.better else ""


def criterion(goal: GoalView) -> str:
    """Target, criterion and progress: ``at least 80 % on 2 consecutive visits: 1 of 2 so far``."""
    visits = _how_often(goal)
    if goal.met:
        return f"{goal.target_words} {visits}: met on {day(goal.attained)}"
    so_far = f"{goal.target_words} {visits}: {min(goal.run, goal.needed)} of {goal.needed} so far"
    if not goal.regressed:
        return so_far
    return f"{so_far}; met on {day(goal.attained)} and lost again on {day(goal.regressed)}"


def _how_often(goal: GoalView) -> str:
    visits = f"on {goal.needed} consecutive visits" if goal.needed > 1 else "on 1 visit"
    if goal.of:
        visits = f"on {goal.needed} of {goal.of} consecutive visits"
    weeks = f" in at least {goal.weeks} calendar weeks" if goal.weeks > 1 else ""
    return visits + weeks + (" without cues" if goal.without_cues else "")


def due(goal: GoalView) -> str:
    """``7 Apr 2026, 14 days left``, overdue counted as well."""
    if goal.due is None:
        return "no due date"
    left = goal.days_left
    if left is None:
        return day(goal.due)
    rest = "today" if left == 0 else f"{_days(left)} left" if left > 0 else f"{_days(-left)} past due"
    return f"{day(goal.due)}, {rest}"


def score_groups() -> str:
    """Which airway scores the letters A to D stand for: ``A 1, 2, 4; B 3, 5, 6; C 7; D 8``."""
    kinds = (
        (letter, [str(score) for score in sorted(GROUPS) if GROUPS[score] == place])
        for place, letter in enumerate("ABCD", 1)
    )
    return "; ".join(f"{letter} {', '.join(scores)}" for letter, scores in kinds)


def plural(number: int, what: str) -> str:
    """``1 day`` or ``2 days``."""
    return f"1 {what}" if number == 1 else f"{number} {what}s"


def signed(number: Fraction | float, unit: str = "") -> str:
    """``+20 points``, ``+0.4``, ``0``: rounded to three digits, with its sign."""
    text = f"{float(number):+.3g}".replace("-", "−") if number else "0"
    return f"{text} {unit}".rstrip()


def limits(found: Interval | None) -> str:
    """The 95 % interval of a difference of shares, in points; nothing where there is none."""
    if found is None:
        return ""
    return f"{100 * found.low:+.0f} to {100 * found.high:+.0f} points".replace("-", "−")


def percent(share: Fraction | None, what: str) -> str:
    """``32 % of logged days``, or nothing."""
    return "" if share is None else f"{float(100 * share):.0f} %{what}"


def bias(number: Fraction | None) -> str:
    """``+0.4, over-confident``, or that it was not measured."""
    if number is None:
        return "not measured"
    side = "over-confident" if number > 0 else "under-confident" if number < 0 else ""
    return f"{signed(number)}, {side}" if side else "0"


def _days(number: int) -> str:
    return "1 day" if number == 1 else f"{number} days"


def days_since(number: int | None) -> str:
    """``today`` or ``12 days ago``."""
    if number is None:
        return ""
    return "today" if number == 0 else f"{_days(number)} ago"


def differ(goal: GoalView) -> str:
    """Say so where the computed and the stated status are not the same."""
    if not goal.stated or goal.stated == goal.computed:
        return ""
    numbers, record = status(goal.computed), status(goal.stated)
    return f"Computed and stated differ: the numbers say {numbers}, the record states {record}."


def practice(done: Practice | None) -> str:
    """Both readings of missing days, never one alone."""
    if done is None:
        return "no log since the visit before"
    logged = (
        "none logged" if done.of_logged is None else f"{float(100 * done.of_logged):.0f} % of logged days"
    )
    if not done.returned:
        logged = "log not returned"
    zero = done.unlogged_as_zero
    counted = "" if zero is None else f"; {float(100 * zero):.0f} % counting unlogged days as zero"
    rests_on = f"{done.logged_days} of {done.days} days with a log, {day(done.start)} to {day(done.end)}"
    return f"{logged}{counted} ({rests_on})"


def notes(goal: GoalView) -> list[tuple[str, str]]:
    """What stands beside a goal's chart: a name and a sentence each, only where there is something to say."""
    told = [
        ("How sure", rough(goal.latest, goal.measure)),
        ("Why this status", f"{goal.why} (rule {goal.rule})" if goal.why and goal.rule else goal.why),
        ("Last change", goal.last_change),
        ("Trend", goal.trend),
        ("Cue level of the latest trials", goal.cue_level),
        ("Luck", goal.luck),
        ("Since the baseline", goal.reliable_change),
        ("Reason stated", goal.stated_reason),
        *(("Not computed", problem) for problem in goal.problems),
        ("Home practice since the visit before", practice(goal.practice)),
    ]
    return [(name, text) for name, text in told if text]


def legend(goal: GoalView) -> str:
    """How to read the chart, in the words its marks need and no others."""
    parts = ["Filled marker: at target; open marker: not."] if goal.target is not None else []
    if any(reading.low is not None for reading in goal.readings):
        parts.append("Whiskers: 95 % interval.")
    if any(not reading.counts and reading.value is not None for reading in goal.readings):
        parts.append("Diamond: counted neither way, the table says why.")
    if goal.measure.better:
        parts.append(f"{goal.measure.name}: {direction(goal.measure)}.")
    return " ".join(parts)


def met(reading: Reading) -> str:
    """Whether a visit reached the target, in words."""
    if reading.value is None:
        return "not measured"
    if not reading.counts:
        return "counted neither way"
    return "yes" if reading.at_target else "no"


def any_agreement(goal: GoalView) -> bool:
    """Whether any visit has the patient's own judgement beside it."""
    return any(reading.agreement for reading in goal.readings)


def any_after(goal: GoalView) -> bool:
    """Whether any visit has a block after training."""
    return any(reading.after for reading in goal.readings)
