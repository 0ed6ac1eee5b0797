"""How a goal's computed status came about: the rule in full, its inputs, and what did not count."""

from fractions import Fraction

from service.attainment.answers import Change, GoalAnswer
from service.attainment.criterion import Criterion
from service.attainment.goals import Value
from service.attainment.measures import MEASURES
from service.attainment.phases import Overlap
from service.attainment.status import Status
from service.page import words
from service.page.reasons import UNITS
from service.page.view_model import Measure

__all__ = ["RULES", "left_out", "phases_in_words", "working"]

RULES = {
    1: "Nothing is measured: no status.",
    3: "The criterion is met: sustaining if the goal is active and a later visit counts, else achieved.",
    4: "Never met, and past due or closed: no progress if the change since the baseline is below one step, "
    "else not achieved. A goal on hold or without a due date is never past due.",
    5: "Fewer than 3 results: in progress.",
    6: "The last 3 results and the change since the baseline (once lost again: the distance to the target) "
    "decide improving, worsening or no change. This is a direction, not significance.",
}
"""The rules of ``attainment/status.py`` by number; rule 2 moves the criterion and gives no status."""


def working(goal: GoalAnswer, measure: Measure) -> tuple[tuple[str, str], ...]:
    """Name by name what the status rests on; numbers exactly as they were compared."""
    found = goal.status
    told = [
        (f"Rule {found.rule}", RULES.get(found.rule, "")),
        ("As of", words.day(found.as_of)),
        ("Criterion", _criterion(found.goal.criterion)),
        ("One step", f"{float(found.goal.step):g} {UNITS[measure.unit]}".rstrip()),
        ("Baseline", _baseline(found, measure)),
        ("Results that counted as values", "; ".join(_value(one, measure) for one in found.values)),
        ("Visits that count towards it now", str(found.progress.so_far)),
        ("First met", words.day(found.progress.first_attained) if found.progress.first_attained else ""),
        ("Last lost", words.day(found.progress.regressed) if found.progress.regressed else ""),
        ("Direction", _direction(found)),
        ("Change since the baseline", _change(goal.change, measure)),
        ("Before and after training began", phases_in_words(goal.overlap)),
        ("Engine version", found.engine),
    ]
    return tuple((name, text) for name, text in told if text)


def _criterion(wanted: Criterion) -> str:
    among = f"of {wanted.of} in a row" if wanted.of else "in a row"
    weeks = f", in at least {wanted.weeks} calendar weeks" if wanted.weeks > 1 else ""
    cues = ", without cues" if wanted.without_cues else ""
    return (
        f"{wanted.visits} {among} at target{weeks}{cues}, {wanted.min_trials} scored trials or more where "
        f"there are any; {wanted.dips} below in a row open the goal again"
    )


def left_out(found: Status) -> tuple[str, ...]:
    """Values that did not count, each with its day, measure and reason."""
    return tuple(
        f"{words.day(one.day)}: {_name(one.measure)}, {one.why}" for one in dict.fromkeys(found.left_out)
    )


def _name(measure: str) -> str:
    return measure.replace("-", " ") if measure in MEASURES else measure


def _baseline(found: Status, measure: Measure) -> str:
    if found.baseline is None:
        return ""
    kind = "recorded" if found.baseline_recorded else "the first value"
    return f"{_value(found.baseline, measure)}, {kind}"


def _value(value: Value, measure: Measure) -> str:
    of = f"{value.k}/{value.n}" if value.k is not None and value.n is not None else ""
    return f"{words.day(value.day)} {of or words.value(measure, value.value)}"


def _direction(found: Status) -> str:
    seen = found.direction
    if seen is None:
        return ""
    return (
        f"Kendall's S of the last 3 is {seen.s:+d}, last less first {_exact(seen.change)}, "
        f"last less {seen.since_what} {_exact(seen.since)}; turned so that more is better"
    ).replace("-", "−")


def _change(found: Change | None, measure: Measure) -> str:
    """The difference, and for shares of trials what kind of comparison was possible."""
    if found is None or measure.kind == "levels":  # levels have names, no differences
        return ""
    told = words.signed(found.difference, UNITS[measure.unit])
    pairs, apart = found.by_posture, found.apart
    if pairs is not None:
        kept = f"{pairs.gained} gained, {pairs.lost} lost of {pairs.n} postures"
        return "; ".join(filter(None, (told, words.limits(pairs.difference.interval), kept, pairs.reason)))
    if apart is not None:
        kept = "trials not paired"
        return "; ".join(filter(None, (told, words.limits(apart.difference.interval), kept, apart.reason)))
    return told


def phases_in_words(found: Overlap | None) -> str:
    """Every number with the results behind it, or why there is none; empty where nothing was compared."""
    if found is None:
        return ""
    if found.nap is None or found.pnd is None or found.pem is None:
        return found.reason
    taus = {"Tau": found.tau, "Tau-U": found.tau_u, "Tau-U of both trends": found.tau_u_both}
    told = [f"{name} {float(tau):.2f}".replace(" -", " −") for name, tau in taus.items() if tau is not None]
    beyond = (
        f"{name} {float(share * found.n):g}" for name, share in (("PND", found.pnd), ("PEM", found.pem))
    )
    return (
        f"NAP {float(found.nap):.2f}, {', '.join(told)}; {', '.join(beyond)} of {found.n} "
        f"({found.m} results before, {found.n} after; {found.standard}; {found.method})"
    )


def _exact(number: Fraction) -> str:
    """With its sign, as a fraction where it is none: ``+20``, ``-2/5``."""
    below = "" if number.denominator == 1 else f"/{number.denominator}"
    return f"{number.numerator:+d}{below}"
