"""A cohort as expressions over the research tables, the same on every engine: people come down to counts.

A person counts once for each kind of goal, with the newest that was pursued, as in ``attainment/cohort.py``.
Days are those since the first visit where the tables have them, else of the calendar: differences alone are
used. Nothing is divided: shares are whole parts of a million, so that two engines can't round apart.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import ibis
from ibis import _

from service.jobs.cohort_question import Question
from service.jobs.cohort_words import (
    ADHERENCE_BANDS,
    DOSE_BANDS,
    IN_COHORT,
    LEFT_OUT,
    MOST_VISITS,
    NO_LOG,
)

__all__ = ["counts", "flow", "judgements", "spells"]

Expr = Any  # ibis has no types of its own that mypy could follow
Tables = Mapping[str, Expr]
Kept = Callable[[Expr], Expr]

_NOT_PURSUED = ("proposed", "planned", "accepted", "rejected", "entered-in-error")
_NOT_HELD = ("planned", "cancelled", "entered-in-error", "arrived", "triaged", "onleave")
_FINAL = ("final", "amended", "corrected")
_SCORES = {"oral-intake-7": "oral-intake-level", "eat10-total": "eat10-total"}
_MILLION = 1_000_000


def spells(tables: Tables, asked: Question, kept: Kept) -> Expr:
    """One row for each person and kind of goal looked at, with why it is left out if it is.

    ``kept`` computes rows once that several others are made of; an engine would do so for each of them.

    Columns: patient_id, measure, stratum, reason (IN_COHORT or one of LEFT_OUT), days and ending (null where
    it is left out), visits, dose, of_logged_days, unlogged_as_zero (bands).
    """
    people = _people(tables, asked)
    goals = kept(_goals(tables, asked))
    ended = kept(_ended(tables, goals, kept))
    joined = people.left_join(ended, "patient_id").drop("patient_id_right")
    judged = joined.mutate(
        reason=ibis.cases(
            (_.out != "", _.out),
            (_.goal_id.isnull(), LEFT_OUT[3]),
            (_.start.isnull(), LEFT_OUT[4]),
            (_.last.isnull(), LEFT_OUT[5]),
            else_=IN_COHORT,
        )
    )
    return _practised(tables, _attended(tables, kept(judged)))


def counts(found: Expr, columns: Sequence[str]) -> Expr:
    """People by kind of goal, stratum, each of the ``columns`` (``told`` names it) and ending."""
    kept = found.filter(_.reason == IN_COHORT)
    texts = kept.select(
        "measure", "stratum", "ending", *(kept[one].cast("string").name(one) for one in columns)
    )
    told = texts.pivot_longer(columns, names_to="told", values_to="value")
    return told.group_by(["told", "measure", "stratum", "value", "ending"]).aggregate(people=_.count())


def flow(found: Expr) -> Expr:
    """People by what became of them: in the cohort for any kind of goal, else the last of their reasons."""
    places = {reason: place for place, reason in enumerate((*LEFT_OUT, IN_COHORT))}
    ranked = found.mutate(
        place=ibis.cases(*((_.reason == reason, place) for reason, place in places.items()), else_=0)
    )
    best = ranked.group_by("patient_id").aggregate(place=_.place.max())
    return best.group_by("place").aggregate(people=_.count())


def judgements(tables: Tables, found: Expr) -> Expr:
    """Trials, and people behind them, by stratum, number of the training visit and what was said of closure.

    Of the opening probe alone, of trials whose closure was rated, at visits that count.
    """
    cohort = found.filter(_.reason == IN_COHORT).select("patient_id", "stratum").distinct()
    trials = tables["trial"].filter(
        _.block == "pre", _.closure.notnull(), _.status.isin(_FINAL), _.visit_id.notnull()
    )
    said = tables["trial_judgement"].select("trial_id", "judgement", "before_result")
    numbered = _training(tables).select("visit_id", visit=ibis.least(_.number, MOST_VISITS))
    joined = (
        trials.select("trial_id", "patient_id", "visit_id", "closure")
        .inner_join(numbered, "visit_id")
        .inner_join(cohort, "patient_id")
        .left_join(said, "trial_id")
    )
    closed = _.closure == "closed"
    cell = ibis.cases(
        (_.judgement.isnull(), "not_asked"),
        (ibis.coalesce(_.before_result, True) == False, "after_result"),  # noqa: E712 - SQL
        (_.judgement == "unsure", "unsure"),
        ((_.judgement == "closed") & closed, "both_closed"),
        (_.judgement == "closed", "said_closed_was_open"),
        (closed, "said_open_was_closed"),
        else_="both_open",
    )
    groups = ["stratum", "visit", "cell"]
    by_person = joined.mutate(cell=cell).group_by([*groups, "patient_id"]).aggregate(trials=_.count())
    return by_person.group_by(groups).aggregate(trials=_.trials.sum(), people=_.count())


def _people(tables: Tables, asked: Question) -> Expr:
    """Everybody with a stratum, and why they are out, empty if they are not."""
    visits = tables["visit"].filter(~_.status.isin(_NOT_HELD))
    first = visits.group_by("patient_id").aggregate(year=_.year.min())
    setting = visits.mutate(day=_day(visits)).filter(_.setting.notnull())
    setting = setting.group_by("patient_id").aggregate(setting=_.setting.argmin(_.day))
    conditions = tables["condition"].filter(_.code.notnull())
    named = conditions.group_by("patient_id").aggregate(condition=_.code.min())
    people = (
        tables["patient"]
        .left_join(first, "patient_id")
        .drop("patient_id_right")
        .left_join(setting, "patient_id")
        .drop("patient_id_right")
        .left_join(named, "patient_id")
        .drop("patient_id_right")
    )
    if asked.conditions:
        wanted = ibis.or_(*(conditions.code.startswith(one) for one in asked.conditions))
        having = conditions.filter(wanted).select("patient_id").distinct()
        people = people.mutate(asked_for=_.patient_id.isin(having.patient_id))
    else:
        people = people.mutate(asked_for=ibis.literal(True))
    year = ibis.coalesce(_.first_visit_year, _.year)
    people = people.mutate(first_year=year)
    people = people.mutate(age=ibis.coalesce(_.age_class, _decade(_.first_year - _.birth_year)))
    return people.select("patient_id", stratum=_stratum(asked), out=_out(asked), deceased=_.deceased)


def _decade(age: Expr) -> Expr:
    low = (age - age % 10).cast("int64")
    text = low.cast("string") + "-" + (low + 9).cast("string")
    return ibis.cases((age < 0, ibis.null("string")), (age >= 90, "90 or older"), else_=text)


def _stratum(asked: Question) -> Expr:
    if asked.by is None:
        return ibis.literal("")
    column = {
        "site": _.site,
        "state": _.state,
        "zip3": _.zip3,
        "setting": _.setting,
        "condition": _.condition,
        "gender": _.gender,
        "age-class": _.age,
        "first-visit-year": _.first_year.cast("string"),
    }[asked.by]
    return ibis.coalesce(column, "not known")


def _out(asked: Question) -> Expr:
    cases = [(~_.asked_for, LEFT_OUT[0])]
    if asked.ages:
        cases.append((~ibis.coalesce(_.age, "").isin(asked.ages), LEFT_OUT[1]))
    if asked.first_visit:
        cases.append((~ibis.coalesce(_.first_year, 0).between(*asked.first_visit), LEFT_OUT[2]))
    return ibis.cases(*cases, else_="")


def _day(table: Expr, prefix: str = "") -> Expr:
    """Days on one axis of a person: since the first visit, or else since 1970."""
    return ibis.coalesce(table[f"{prefix}day"], table[f"{prefix}date"].epoch_days().cast("int64"))


def _goals(tables: Tables, asked: Question) -> Expr:
    """The newest pursued goal of each person and kind."""
    goals = tables["goal"].filter(
        ~_.lifecycle_status.isin(_NOT_PURSUED), ibis.coalesce(_.measure, "").isin(asked.measures)
    )
    goals = goals.mutate(start=_day(goals, "start_"))
    newest = ibis.row_number().over(
        group_by=["patient_id", "measure"],
        order_by=[ibis.desc(_.start, nulls_first=False), ibis.desc(_.goal_id)],
    )
    ranked = goals.select("goal_id", "patient_id", "measure", "start").mutate(place=newest)
    return ranked.filter(_.place == 0).drop("place")


def _ended(tables: Tables, goals: Expr, kept: Kept) -> Expr:
    """Each goal with the last day it was measured, and how and after how many days the looking ended."""
    status = tables["goal_status"]
    met = status.filter(_.criterion_met).mutate(day=_day(status))
    met = met.group_by("goal_id").aggregate(attained=_.day.min())
    told = goals.left_join(met, "goal_id").drop("goal_id_right")
    last = _measured(tables, goals)
    told = told.left_join(last, "goal_id").drop("goal_id_right")
    told = kept(told.mutate(last=ibis.coalesce(_.last, _.attained)))
    told = told.left_join(_ends(tables, told), "goal_id").drop("goal_id_right")
    told = told.mutate(
        ending=ibis.cases((_.attained.notnull(), "attained"), (_.end.notnull(), _.how), else_="waiting"),
        until=ibis.coalesce(_.attained, _.end, _.last),
    )
    return told.mutate(days=_.until - _.start)


def _measured(tables: Tables, goals: Expr) -> Expr:
    """The last day on which each goal was measured since it began, at a visit that counts."""
    values = tables["goal_value"].filter(_.visit_id.notnull())
    values = values.mutate(day=_day(values)).select("goal_id", "day")
    scores = tables["measurement"].filter(
        _.measure.isin(tuple(_SCORES)), _.status.isin(_FINAL), _.missing.isnull()
    )
    left_out = tables["visit"].filter(_.excluded).select("visit_id")
    scores = scores.anti_join(left_out, "visit_id")
    scores = scores.select(
        "patient_id",
        day=_day(scores),
        measure=ibis.cases(*((scores.measure == code, kind) for code, kind in _SCORES.items())),
    )
    scored = goals.inner_join(scores, ["patient_id", "measure"]).select("goal_id", "day")
    every = values.union(scored).inner_join(goals.select("goal_id", "start"), "goal_id")
    return every.filter(_.day >= _.start).group_by("goal_id").aggregate(last=_.day.max())


def _ends(tables: Tables, goals: Expr) -> Expr:
    """The first end of care of each goal's person after which nothing was measured, and what it was.

    What a discharge states counts by its words; a discharge that states nothing is one. A death whose day the
    tables do not have counts on the last day the person was seen.
    """
    stated = tables["measurement"].filter(_.measure == "reason-for-ending", _.status.isin(_FINAL))
    stated = stated.select(
        "patient_id",
        day=_day(stated),
        rank=ibis.cases((stated.code == "died", 0), (stated.code == "medical-change", 1), else_=2),
    )
    visits = tables["visit"].filter(~_.status.isin(_NOT_HELD))
    visits = visits.mutate(day=_day(visits))
    left = visits.filter(_.visit_type == "discharge").select("patient_id", "day", rank=ibis.literal(2))
    seen = visits.group_by("patient_id").aggregate(day=_.day.max())
    dead = tables["patient"].filter(_.deceased).select("patient_id").inner_join(seen, "patient_id")
    dead = dead.anti_join(stated.filter(_.rank == 0), "patient_id")
    ends = stated.cast({"rank": "int64"}).union(left.cast({"rank": "int64"}))
    ends = ends.union(dead.select("patient_id", "day", rank=ibis.literal(0).cast("int64")))
    after = goals.select("goal_id", "patient_id", "last").inner_join(ends, "patient_id")
    first = ibis.row_number().over(group_by="goal_id", order_by=[_.day, _.rank])
    after = after.filter(_.day >= _.last).mutate(place=first).filter(_.place == 0)
    return after.select(
        "goal_id",
        end=_.day,
        how=ibis.cases((_.rank == 0, "died"), (_.rank == 1, "medical-change"), else_="discharged"),
    )


def _training(tables: Tables) -> Expr:
    """Training visits that count, numbered from a person's first."""
    visits = tables["visit"].filter(_.visit_type == "training", ~_.excluded, ~_.status.isin(_NOT_HELD))
    visits = visits.select("visit_id", "patient_id", day=_day(visits))
    number = ibis.row_number().over(group_by="patient_id", order_by=[_.day, _.visit_id])
    return visits.mutate(number=number.cast("int64") + 1)


def _attended(tables: Tables, found: Expr) -> Expr:
    """Training visits from a goal's beginning to its end, the last included."""
    visits = _training(tables).select("patient_id", "day")
    pairs = found.select("goal_id", "patient_id", "start", "until").inner_join(visits, "patient_id")
    within = pairs.filter(_.day >= _.start, _.day <= _.until)
    number = within.group_by("goal_id").aggregate(attended=_.count())
    joined = found.left_join(number, "goal_id").drop("goal_id_right")
    return joined.mutate(visits=ibis.coalesce(_.attended, 0))


def _practised(tables: Tables, found: Expr) -> Expr:
    """Bands of home practice from a goal's beginning to its end."""
    days = tables["practice_day"]
    days = days.select("patient_id", "repetitions_done", "repetitions_prescribed", day=_day(days))
    days = days.filter(_.repetitions_done.notnull())
    daily = days.group_by(["patient_id", "day"]).aggregate(
        done=_.repetitions_done.sum(), prescribed=ibis.coalesce(_.repetitions_prescribed, 0.0).sum()
    )
    share = (ibis.least(_.done / _.prescribed, 1.0) * _MILLION).floor().cast("int64")
    daily = daily.mutate(share=ibis.cases((_.prescribed > 0, share), else_=ibis.null("int64")))
    pairs = found.select("goal_id", "patient_id", "start", "until").inner_join(daily, "patient_id")
    within = pairs.filter(_.day >= _.start, _.day <= _.until)
    sums = within.group_by("goal_id").aggregate(
        done=_.done.sum(),
        shares=_.share.sum(),
        logged=_.share.count(),
        spread=_.day.max(where=_.share.notnull()) - _.day.min(where=_.share.notnull()) + 1,
    )
    joined = found.left_join(sums, "goal_id").drop("goal_id_right")
    return joined.select(
        "patient_id",
        "measure",
        "stratum",
        "reason",
        "days",
        "ending",
        "visits",
        dose=_band(_.done, ibis.greatest(_.days, 1), DOSE_BANDS),
        of_logged_days=_band(_.shares * 100, _.logged * _MILLION, ADHERENCE_BANDS),
        unlogged_as_zero=_band(_.shares * 100, _.spread * _MILLION, ADHERENCE_BANDS),
    )


def _band(part: Expr, whole: Expr, bands: tuple[tuple[int | None, str], ...]) -> Expr:
    """In which band part / whole lies; no log without either."""
    ends = [(part < end * whole, name) for end, name in bands if end is not None]
    return ibis.cases((part.isnull() | ibis.coalesce(whole == 0, True), NO_LOG), *ends, else_=bands[-1][1])
