"""Hand-made views of an invented person, as of 11 Sep 2026."""

from datetime import date
from fractions import Fraction

from service.page.patient_view import PatientView
from service.page.view_model import (
    Banner,
    Count,
    GoalView,
    Measure,
    Practice,
    Reading,
)

CLOSURE = Measure("closure-accuracy", "Closure before feedback", "%", 0, 100, 20, "share")
INTAKE = Measure("oral-intake-level", "Oral intake level", "level", 1, 7, 1, "levels")
# 95 % Wilson limits of k of n, in percent
LIMITS = {(2, 5): (11.76, 76.93), (4, 5): (37.55, 96.38), (3, 4): (30.06, 95.44)}


def closure(day: date, k: int, n: int, **more: object) -> Reading:
    low, high = LIMITS[k, n]
    return Reading(
        day,
        Fraction(100 * k, n),
        Count(k, n),
        low,
        high,
        at_target=Fraction(k, n) >= Fraction(4, 5),
        counts=n >= 5,
        **more,
    )


READINGS = (
    closure(date(2026, 6, 5), 2, 5, agreement=Count(4, 5), after=Count(3, 5)),
    closure(date(2026, 6, 19), 4, 5, agreement=Count(5, 5), after=Count(5, 5)),
    closure(date(2026, 7, 3), 3, 4, left_out="1 not observable: view lost", after=Count(5, 5)),
    closure(date(2026, 7, 17), 4, 5, agreement=Count(5, 5), after=Count(5, 5)),
    closure(date(2026, 7, 31), 4, 5, agreement=Count(5, 5), after=Count(5, 5)),
    Reading(date(2026, 8, 14), left_out="no trials at this visit"),
    closure(date(2026, 8, 28), 2, 5, after=Count(3, 5)),
    closure(date(2026, 9, 11), 2, 5, agreement=Count(3, 5), after=Count(3, 5)),
)
LOST = GoalView(
    id="goal-1",
    description="Close the vocal folds on 4 of 5 tries before any feedback",
    measure=CLOSURE,
    target=Fraction(80),
    target_words="80 % or more",
    needed=2,
    baseline=READINGS[0],
    latest=READINGS[-1],
    readings=READINGS,
    due=date(2026, 9, 25),
    days_left=14,
    computed="worsening",
    stated="achieved",
    lifecycle="active",
    rule="6",
    why="of the last 3 results more pairs fall than rise (S −2), and the last is 40 points below the target",
    attained=date(2026, 7, 17),
    met_run=(date(2026, 6, 19), date(2026, 7, 17)),
    regressed=date(2026, 9, 11),
    trend="0 points a week over 7 visits (S −3)",
    practice=Practice(date(2026, 8, 29), date(2026, 9, 10), Fraction(9, 28), Fraction(9, 28), 13, 13),
)
LEVELS = tuple(
    Reading(date(2026, month, 5), Fraction(level), at_target=level >= 6)
    for month, level in ((6, 4), (7, 5), (8, 5), (9, 6))
)
EATING = GoalView(
    id="goal-2",
    description="Eat a full oral diet with one texture left out",
    measure=INTAKE,
    target=Fraction(6),
    target_words="level 6 or higher",
    baseline=LEVELS[0],
    latest=LEVELS[-1],
    readings=LEVELS,
    computed="achieved",
    lifecycle="on-hold",
    stated_reason="chest infection",
    held_since=date(2026, 8, 20),
    met=True,
    attained=date(2026, 9, 5),
    met_run=(date(2026, 9, 5), date(2026, 9, 5)),
    rule="3",
    why="the criterion was met on 5 Sep 2026",
)
NEW = GoalView(
    id="goal-3",
    description="Judge own closure",
    measure=CLOSURE,
    target=Fraction(80),
    target_words="80 % or more",
)
PERSON = PatientView(
    id="p1",
    day=date(2026, 9, 11),
    banner=Banner(
        name="Marlowe Testwell",
        born="1935",
        age=91,
        conditions=("Oropharyngeal dysphagia after stroke", "Coronary artery disease"),
        clearance="limited (5 Jun 2026)",
        effort_limit="light",
        red_flags=("new cough", "eating much less"),
        oral_intake=5,
        oral_intake_day=date(2026, 9, 11),
        diet="drinks level 2, food level 5",
        last_visit=date(2026, 9, 11),
        days_since_visit=0,
        invented=True,
    ),
    visits=(date(2026, 8, 28), date(2026, 9, 11), date(2026, 10, 2)),
    goals=(LOST, EATING, NEW),
)
