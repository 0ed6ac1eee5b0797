"""Every check value in ``check_values.json``, computed and compared, entry by entry.

The file was computed with scipy, statsmodels and scikit-learn from the stated formulas, and
``EXT_published`` holds numbers read in publications; which ones were published is marked in the file of
their formula. Each entry is compared as a whole: a number that nothing here computes fails, as does an
entry or block without a check. A number is as good as its digits in the file.
"""

import json
import re
from collections.abc import Mapping
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from math import comb, sqrt
from pathlib import Path

import pytest
from scipy.stats import norm

from service.attainment.change import fisher_exact, paired, unpaired_difference
from service.attainment.detection import detection, log_linear
from service.attainment.dose import PracticeDay, adherence
from service.attainment.intervals import clopper_pearson, wilson
from service.attainment.phases import overlap
from service.attainment.reliable_change import Reliability, cut_off
from service.attainment.scaling import t_score
from service.attainment.self_judgement import Cells, _kappa, self_judgement
from service.attainment.study import Swallow, summary
from service.attainment.time_to_attainment import Spell, time_to_attainment
from service.attainment.trend import exact_p, intercepts, kendall_s, smallest_exact_p, trend

VALUES = json.loads(Path(__file__).with_name("check_values.json").read_text(), parse_float=Decimal)
OTHER_ERRORS_OF_NAP = {"SE_hanley_expQ", "SE_unb1", "SE_unb2"}
"""Not offered: of the standard errors of NAP the answer has one, so that it needs no choice."""


def numbers(text):
    return [int(found) for found in re.findall(r"-?\d+", text)]


def ends(found):
    return [found.low, found.high]


def proportion(name):
    k, n = numbers(name)
    return {"wilson": ends(wilson(k, n)), "clopper_pearson": ends(clopper_pearson(k, n))}


def difference(found):
    return [found.difference, *ends(found.interval)]


def unpaired(name):
    return difference(unpaired_difference(*map(int, re.findall(r"\d+", name))))


def by_pairs(name):
    return difference(paired(*numbers(name)).difference)


def fisher_table(name):
    return fisher_exact(*map(int, re.findall(r"\d+", name)))


def change(name):
    if name == "fisher_tea_one_sided":  # the table is symmetrical, so each tail is half
        return fisher_exact(3, 4, 1, 4) / 2
    of_one = {
        "mcnemar_exact": lambda one: paired(0, *numbers(one), 0).exact_p,
        "mcnemar_min_p_by_pairs": lambda one: paired(0, int(one), 0, 0).exact_p,
        "fisher_two_sided": fisher_table,
        "newcombe_unpaired": unpaired,
        "newcombe_paired": by_pairs,
    }[name]
    return {one: of_one(one) for one in VALUES["B_change"][name]}


def agreement(name):
    found = self_judgement(Cells(*numbers(name)))
    return {
        "n": found.n,
        "percent_agreement": 100 * found.agreement,
        "pe": found.expected,
        "kappa": found.kappa,
        "pabak": found.pabak,
        "sensitivity": found.sensitivity,
        "specificity": found.specificity,
        "ppv": found.positive_predictive,
        "npv": found.negative_predictive,
        "bias": found.bias,
        "overconfidence_rate": found.over_confident,
        "underconfidence_rate": found.under_confident,
    }


def signal_detection(name):
    hits, false_alarms, signals, noise = numbers(name)
    if not signals or not noise:
        return detection(Cells(hits, false_alarms, signals - hits, noise - false_alarms)).d_prime
    found = log_linear(hits, false_alarms, signals, noise)
    return dict(zip(("H", "F", "dprime", "c", "threshold"), found, strict=True))


def levels(n, total):
    """n levels with this sum."""
    whole, rest = divmod(total, n)
    return [whole + (place < rest) for place in range(n)]


def weighted(name):
    """T of ``x=(0,1,-1) w=(3,2,1)``."""
    found, weights = re.search(r"x=\((.*?)\) w=(.*)", name).groups()
    found = numbers(found)
    return t_score(found, numbers(weights) if "(" in weights else None)


def gas(name):
    entries = VALUES["E_gas"][name]
    if name == "unit_step":
        return {n: t_score([1] + [0] * (int(n) - 1)) - 50 for n in entries}
    if name == "table_equal_weights":
        return {
            n: {total: t_score(levels(int(n), int(total))) for total in range(-2 * int(n), 2 * int(n) + 1)}
            for n in entries
        }
    found = {one: weighted(one) for one in entries if one != "change"}
    return {**found, "change": found["achieved x=(0,1,0) w=1"] - found["baseline x=(-1,-2,-1) w=1"]}


SERIES = {
    "little_14": [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7],
    "goal 20,40,40,60,80,80": [20, 40, 40, 60, 80, 80],
    "goal visit-days": [20, 40, 40, 60, 80, 80],
    "flat 60x5": [60] * 5,
}


def trends(name):
    if name == "min_two_sided_exact_p_by_n":
        return {n: smallest_exact_p(int(n)) for n in VALUES["G_trend"][name]}
    values = SERIES[name] if name in SERIES else range(1, numbers(name)[0] + 1)
    days = (0, 7, 14, 28, 42, 56) if name == "goal visit-days" else range(1, len(values) + 1)
    points = [(day, Fraction(str(value))) for day, value in zip(days, values, strict=True)]
    found, (middle, residual) = trend(points), intercepts(points)
    return {
        "n": found.n,
        "S": found.s,
        "varS": found.variance,
        "Z": found.z,
        "p_norm_two": 2 * norm.sf(abs(found.z)),
        "p_exact_two": exact_p(found.n, found.s) if found.n <= 10 and len(set(values)) == found.n else None,
        "tau_b": found.tau_b,
        "tau_a": Fraction(found.s, comb(found.n, 2)),
        "sen_slope": found.slope_per_day,
        "intercept_med_y": middle,
        "intercept_resid_med": residual,
    }


def phases(name):
    a, b = (
        [Fraction(one) for one in of.split(",")] for of in re.search(r"A=(\S+) B=(\S+)", spelt(name)).groups()
    )
    lower = "decrease" in name
    found = overlap(a, b, higher_is_better=not lower)
    m, n = found.m, found.n
    turned = [-1 if lower else 1] * 2
    s_a, s_b = (sign * kendall_s(of) for sign, of in zip(turned, (a, b), strict=True))
    ties = sum(x == y for x in a for y in b)
    better = found.nap * m * n - Fraction(ties, 2)
    assert found.tau_u * m * n == found.tau * m * n - s_a
    return {
        "m": m,
        "n": n,
        "NAP": found.nap,
        "U": found.nap * m * n,
        "tau": found.tau,
        "pos": better,
        "neg": m * n - ties - better,
        "ties": ties,
        "S_AB": found.tau * m * n,
        "S_A": s_a,
        "S_B": s_b,
        "tauU_A": found.tau_u,
        "tauU_full": found.tau_u_both,
        "SE_hanley_empiricalQ": 0 if found.error is None else found.error,  # complete separation
    }


def spelt(name):
    return name.replace("A=1..5 B=6..10", "A=1,2,3,4,5 B=6,7,8,9,10")


def reliably(name):
    known = {
        "Jacobson&Truax pre32.5 post47.5 SD7.54 r.88": (7.54, 0.88, 32.5, 47.5),
        "EAT-10 24->14 SD12.22 r.93": (12.22, 0.93, 24, 14),
        "EAT-10 24->15": (12.22, 0.93, 24, 15),
        "EAT-10 24->16": (12.22, 0.93, 24, 16),
        "SD10 r.80": (10, 0.80, 0, 0),
    }
    if name.startswith("cut_c"):
        return cut_off(60, 7.5, 40, 7.5)
    deviation, retest, before, after = known[name]
    found = Reliability(deviation, retest, "")
    return {
        "SE": found.error / sqrt(2),
        "Sdiff": found.error,
        "RC": found.index(before, after),
        "min_change_95": found.threshold,
    }


def airway(name):
    scores = numbers(name)
    found = summary(Swallow(0, score) for score in scores)
    letters = dict(zip((1, 2, 3, 4), "ABCD", strict=True))
    return {
        "n": found.n,
        "worst": found.worst,
        "best": min(found.scores),
        "modes": list(found.modes),
        "median_low": found.lower_median,
        "pct_ge3": 100 * found.entered,
        "pct_ge6": 100 * found.aspirated,
        "pct8": 100 * found.silent,
        "four_level": {letters[group]: count for group, count in found.groups.items()},
        "worst_level": letters[found.worst_group],
    }


def practised(*done, prescribed=30):
    start = date(2026, 2, 3)
    days = enumerate(None if one is None else Fraction(one) for one in done)
    return adherence(PracticeDay(start + timedelta(day), Fraction(prescribed), one) for day, one in days)


def practice(name):
    if name in ("100/120", "150/120"):
        done, prescribed = numbers(name)
        found = practised(done, prescribed=prescribed)
        return {"raw": 100 * found.raw, "capped": 100 * found.of_logged_days}
    week = practised(30, 30, 0, 45, 30, None, 15)
    full = f"{week.full_dose_days}/{week.logged_days} logged"
    return {
        "0/0": practised(0, prescribed=0).of_logged_days,
        "daily cap, days logged only (6)": 100 * week.of_logged_days,
        "daily cap, missing=0 (7)": 100 * week.unlogged_as_zero,
        "total cap, missing=0": {"raw": 100 * week.raw, "capped": 100 * min(week.raw, 1)},
        "log return": 100 * week.log_return,
        "days with full dose": f"{full} = {100 * week.full_dose_days / week.logged_days:.1f} %",
    }[name]


def cohort(attained, censored):
    spells = [Spell(days, "attained") for days in attained] + [Spell(days, "censored") for days in censored]
    found = time_to_attainment(spells)
    rows = [[one.days, one.at_risk, one.attained, one.waiting, one.error] for one in found.steps]
    return found.median, rows


def six_mp(name):
    median, rows = cohort((6, 6, 6, 7, 10, 13, 16, 22, 23), (6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35))
    return median if name == "median" else rows


def six_goals(name):
    median, rows = cohort((28, 42, 56, 84), (56, 90))
    return median if name == "median" else rows


def kendalls_example():
    days = [2, 5, 5, 9, 9, 13, 13, 16, 19, 19]  # ranks, doubled
    values = [1, 2, Fraction(9, 2), Fraction(9, 2), Fraction(9, 2), Fraction(9, 2), 8, 8, 8, 10]
    found = trend(zip(days, map(Fraction, values), strict=True))
    return [found.s, found.tau_b]


def of_before_and_after():
    values = (20, 20, 26, 25, 22, 23), (28, 25, 24, 27, 30, 30, 29)
    return overlap(*([Fraction(one) for one in of] for of in values))


PUBLISHED = {
    "Wilson 13/16 exp .5699-.9341": lambda: ends(wilson(13, 16)),
    "CP 13/16 exp .5435-.9595": lambda: ends(clopper_pearson(13, 16)),
    "Newcombe unpaired 7/34-1/34 exp .1765 .0189-.3404": lambda: unpaired("7/34 - 1/34"),
    "Newcombe paired (59,6,16,80) exp -.0621 -.1186 -.0046": lambda: by_pairs("59,6,16,80"),
    "Newcombe paired (14,5,0,22) data Altman 2000 tab 6.2": lambda: by_pairs("14,5,0,22"),
    "McNemar (14,5,0,22)": lambda: paired(14, 5, 0, 22).exact_p,
    "Newcombe paired Bentur (1,1,7,12)": lambda: by_pairs("1,1,7,12"),
    "Fisher [[0,16],[15,57]] exp .06287": lambda: fisher_exact(0, 16, 15, 72),
    "Kendall 1970 ex3.1 exp S33 taub .859": kendalls_example,
    "PND exp 5/7": lambda: of_before_and_after().pnd,
    "PEM exp 7/7": lambda: of_before_and_after().pem,
    "kappa textbook X-ray 1467...": lambda: _kappa(Fraction("0.8943"), Fraction("0.7780")),
}


def published(name):
    return PUBLISHED[name]() if name in PUBLISHED else phases(name)


CHECKS = {
    "A_proportion_ci": proportion,
    "B_change": change,
    "C_agreement": agreement,
    "D_dprime_loglinear": signal_detection,
    "E_gas": gas,
    "G_trend": trends,
    "H_phase": phases,
    "I_rci": reliably,
    "J_pas": airway,
    "K_adherence": practice,
    "L_km_6MP": six_mp,
    "L_km_goal_demo": six_goals,
    "EXT_published": published,
}


def compare(found, expected, where):
    """Alike in shape and, to the digits given, in every number."""
    if isinstance(expected, Mapping):
        named = {str(name): value for name, value in found.items()}
        assert named.keys() == expected.keys() - OTHER_ERRORS_OF_NAP, where
        for name, value in named.items():
            compare(value, expected[name], f"{where}, {name}")
    elif isinstance(expected, list):
        assert len(found) == len(expected), where
        for place, (one, other) in enumerate(zip(found, expected, strict=True)):
            compare(one, other, f"{where}, {place}")
    elif isinstance(expected, Decimal):
        half_a_digit = 0.5000001 * 10 ** expected.as_tuple().exponent
        assert float(found) == pytest.approx(float(expected), abs=half_a_digit), where
    else:
        assert found == expected, where


@pytest.mark.parametrize(
    ("block", "entry"), [(block, entry) for block, entries in VALUES.items() for entry in entries]
)
def test_check_value(block, entry):
    compare(CHECKS[block.split(" ")[0]](entry), VALUES[block][entry], f"{block}: {entry}")
