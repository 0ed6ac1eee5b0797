"""The rows of the research tables that visit records make, straight from the records.

What leaves by FHIR, in the policy of a limited data set, is the same but for ids: a test holds them against
each other. Ids here are made of the person's, so that every row says that it is invented; keys of a visit's
parts follow the parts' own numbers. Rows are in the order of the tables' columns.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

from service.fhir.view_definition import Row
from service.synthetic.goal_rows import GoalRows
from service.synthetic.trials import Tree
from service.terminology.codes import slug

__all__ = ["rows_of"]

Made = tuple[str, Row]
"""Name of a table, and a row of it."""

_slug = lru_cache(maxsize=256)(slug)
_CUES = {"minimal": "minimal-cues", "moderate": "moderate-cues"}
_FINAL = "final"
_UNRATED = "error"
_NO_DAY = None
"""Days since the first visit are of variants that tell no dates."""


def rows_of(records: Sequence[Tree]) -> Iterator[Made]:
    """Every row of one person, whose records these are, the first with the person in it."""
    first: Any = records[0]
    person: str = first["patient"]["value"]
    yield "patient", _patient(person, first["person"])
    goals = GoalRows(person)
    prescribed: dict[str, int] = {}
    for record in records:
        visit = _Visit(person, record)
        for part in _PARTS:
            yield from part(visit)
        yield from _practice(visit, prescribed)
        prescribed |= _prescribed(record)
        yield from goals.of_visit(visit.id, visit.date, record)


class _Visit:
    """One record, with what all of its rows share."""

    def __init__(self, person: str, record: Any) -> None:
        self.person = person
        self.record = record
        self.id: str = record["record"]["value"]
        self.start: str = record["visit"]["start"]
        self.date = self.start[:10]
        self.year = int(self.start[:4])
        self.rater: str = record["visit"]["clinician"]["identifier"]["value"]

    @property
    def when(self) -> tuple[str, int, None]:
        """The three columns of a day."""
        return self.date, self.year, _NO_DAY


def _patient(person: str, said: Any) -> Row:
    return (
        person,
        said["gender"],
        int(said["birth_date"][:4]),
        None,
        None,
        said["state"],
        said["postal_code"],
        None,
    )


def _conditions(visit: _Visit) -> Iterator[Made]:
    for number, one in enumerate(visit.record.get("conditions", ()), 1):
        onset, code = one["onset"], one["code"]
        yield (
            "condition",
            (
                f"{visit.id}-condition-{number}",
                visit.person,
                visit.id,
                code["code"],
                code["system"],
                "active",
                onset if len(onset) == len("2026-01-31") else None,
                int(onset[:4]),
                _NO_DAY,
            ),
        )


def _visit(visit: _Visit) -> Iterator[Made]:
    yield (
        "visit",
        (
            visit.id,
            visit.person,
            f"{visit.person}-episode",
            "finished",
            _slug(visit.record["visit"]["type"]),
            "AMB",
            *visit.when,
            False,
            None,
        ),
    )


def _trials(visit: _Visit) -> Iterator[Made]:
    training = visit.record.get("training")
    if training is None:
        return
    person, id_, when, rater = visit.person, visit.id, visit.when, visit.rater
    procedure = f"{id_}-training"
    for one in training["trials"]:
        block, number, observed = one["block"], one["trial"], one["observed"]
        seen = observed != "not observable"
        trial = f"{id_}-{block}-{number}"
        yield (
            "trial",
            (
                trial,
                person,
                id_,
                procedure,
                *when,
                block,
                number,
                _slug(one["posture"]),
                one["jaw"],
                "close",
                _slug(observed) if seen else None,
                None if seen else _UNRATED,
                None if seen else _slug(one["reason"]),
                None,
                one["effort"],
                one.get("hold_s"),
                "live-image" if "feedback" in one else None,
                _CUES.get(one.get("cue", "")),
                _FINAL,
                "clinician",
                rater,
            ),
        )
        if "own_judgement" in one:
            said = _slug(one["own_judgement"])
            yield "trial_judgement", (f"{trial}-judgement", person, id_, trial, *when, said, None, True)


def _study(visit: _Visit) -> Iterator[Made]:
    study = visit.record.get("swallow_study")
    if study is None:
        return
    id_ = f"{visit.id}-study"
    method = f"{study['method']}-swallow-study"
    yield "study", (id_, visit.person, visit.id, method, "completed", *visit.when)
    rated = (study["view_quality"], study["blinded"], study["recording_kept"])
    yield "study_conditions", (f"{id_}-conditions", visit.person, visit.id, id_, *map(_slug, rated))
    for bolus in study["boluses"]:
        yield "bolus", _bolus(visit, id_, bolus)


def _bolus(visit: _Visit, study: str, one: Any) -> Row:
    entered = one["airway_score"] > 1
    return (
        f"{study}-{one['sequence']}",
        visit.person,
        visit.id,
        study,
        *visit.when,
        one["sequence"],
        one["consistency"],
        None,
        None,
        one.get("volume_ml"),
        one.get("delivery"),
        one["airway_score"],
        None,
        [one["timing"][0]] if entered else [],
        one["residue_related"] if entered else None,
        one.get("inferred"),
        _slug(one["response"]) if entered else None,
        one["residue_vallecula"],
        None,
        one["residue_pyriform"],
        None,
        one["swallows_to_clear"],
        _slug(one["manoeuvre"]),
        one.get("effect"),
        _FINAL,
        "clinician",
        visit.rater,
    )


def _measurements(visit: _Visit) -> Iterator[Made]:
    said = visit.record.get("function", {})
    for field, measure, kind, unit in _FUNCTION:
        if field in said:
            yield "measurement", _measured(visit, measure, kind, said[field], unit)
    rating = visit.record.get("swallow_study", {}).get("secretion_rating")
    if rating is not None:
        yield "measurement", _measured(visit, "secretion-level", "score", rating)
    reason = visit.record["visit"].get("reason_for_ending")
    if reason is not None:
        yield "measurement", _measured(visit, "reason-for-ending", "code", _slug(reason))


_FUNCTION = (
    ("oral_intake_level", "oral-intake-7", "score", None),
    ("tube", "tube-in-use", "code", None),
    ("pneumonia_since_last_visit", "pneumonia-since-last-visit", "score", None),
    ("liquid_level", "liquid-level", "iddsi", None),
    ("food_level", "food-level", "iddsi", None),
    ("meal_minutes", "meal-duration", "number", "min"),
    ("eat10_total", "eat10-total", "score", None),
    ("weight_kg", "body-weight", "number", "kg"),
)


def _measured(visit: _Visit, measure: str, kind: str, value: Any, unit: str | None = None) -> Row:
    code = f"iddsi-{value}" if kind == "iddsi" else value if kind == "code" else None
    return (
        f"{visit.id}-{measure}",
        visit.person,
        visit.id,
        None,
        *visit.when,
        measure,
        value if kind == "number" else None,
        value if kind == "score" else None,
        unit,
        code,
        None,
        None,
        _FINAL,
    )


def _exercises(visit: _Visit) -> Iterator[Made]:
    plan = visit.record.get("home_plan")
    for one in plan["lines"] if plan else ():
        yield (
            "exercise",
            (
                f"{visit.person}-{one['exercise']}",
                visit.person,
                visit.id,
                f"{visit.person}-plan",
                f"{visit.person}-{one['goals'][0]}-goal",
                _slug(one["manoeuvre"]),
                "active",
                one["sets"],
                one["repetitions"],
                one["sessions_per_day"],
                one["days_per_week"],
                one["weeks"],
                one["hold_s"],
                one["effort"],
                one["practised_with"],
                *visit.when,
            ),
        )


def _prescribed(record: Any) -> dict[str, int]:
    """Repetitions a day by exercise, of the plan this record brings."""
    plan = record.get("home_plan")
    return {
        one["exercise"]: one["sets"] * one["repetitions"] * one["sessions_per_day"]
        for one in (plan["lines"] if plan else ())
    }


def _practice(visit: _Visit, prescribed: Mapping[str, int]) -> Iterator[Made]:
    """The days of a log; the plans they follow came with earlier visits."""
    for one in visit.record.get("practice", {}).get("days", ()):
        day, exercise = one["day"], one["exercise"]
        yield (
            "practice_day",
            (
                f"{visit.id}-{exercise}-{day}",
                visit.person,
                visit.id,
                f"{visit.person}-{exercise}",
                day,
                int(day[:4]),
                _NO_DAY,
                one["repetitions"],
                prescribed[exercise],
                None,
                None,
                None,
                None,
                None,
            ),
        )


_PARTS: tuple[Callable[[_Visit], Iterator[Made]], ...] = (
    _conditions,
    _visit,
    _trials,
    _study,
    _measurements,
    _exercises,
)
