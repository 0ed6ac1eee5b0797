"""The visit records of an invented person, in time order: evaluation, training visits, last look, discharge.

Each is the document the intake takes, as plain data; days are text.
"""

from collections.abc import Iterator
from datetime import date, timedelta

from service.synthetic.chance import Chance
from service.synthetic.parameters import parameters
from service.synthetic.person import Truth
from service.synthetic.swallowing import function, study
from service.synthetic.trials import Tree, trials

__all__ = ["BASE", "history"]

BASE = "https://htest.example.org"
"""Where the identifiers of invented people come from."""

_SCREEN_DAYS = 80
_LOG_DAYS = 14
_PLAN_WEEKS = 40
_GOAL_DAYS = 84
_RED_FLAGS = (
    "fever",
    "new_wet_voice",
    "new_chest_symptoms",
    "breathlessness",
    "weight_loss",
    "choking_event",
    "dehydration",
    "blood",
    "new_neurological_sign",
    "cardiac_symptoms_with_practice",
)
_SCREEN = (
    "coronary_disease",
    "recent_heart_attack",
    "arrhythmia_or_pacemaker_dependence",
    "heart_failure",
    "recent_stroke_or_raised_intracranial_pressure",
    "uncontrolled_high_blood_pressure",
    "aneurysm",
    "recent_surgery",
    "severe_lung_disease_or_retained_carbon_dioxide",
    "pneumothorax",
    "late_pregnancy",
    "hernia",
    "syncope_on_straining",
    "cannot_follow_steps",
    "fatigue_disorder",
    "tracheostomy_without_plan",
    "neuromuscular_disease_with_laryngospasm",
)
_ENDOSCOPY = {"in_place": "yes", "anaesthetic": "none", "tolerance": "no adverse event"}
_SYLLABLES = ("ba", "do", "fi", "ga", "lu", "mo", "ne", "pi", "ro", "su", "ta", "ve")
_TARGETS = (
    ("closure", "closure accuracy", "Closes the vocal folds on request in 80 % of the first trials"),
    ("awareness", "judgement agreement", "Knows without looking whether the folds closed, in 80 % of them"),
)


def history(person: Truth, chance: Chance) -> list[Tree]:
    """Every visit record up to the day until which the registry has data."""
    until = parameters().data_until
    found = []
    for day, record in _History(person, chance).records():
        if day > until:
            break
        found.append(record)
    return found


class _History:
    """One person's records while they are made; the dose is drawn once, when the plan is."""

    def __init__(self, person: Truth, chance: Chance) -> None:
        self._person = person
        self._chance = chance
        self._clinician = chance.whole(1, 3)
        self._screened: date | None = None
        self._repetitions = chance.one((10, 15, 20))
        self._sessions = chance.whole(2, 3)
        self._days_a_week = chance.one((5, 7, 7))
        self._at_target: list[bool] = []

    def records(self) -> Iterator[tuple[date, Tree]]:
        person, chance = self._person, self._chance
        low, high = parameters().days_between_visits
        day = person.first_visit
        yield day, self._evaluation(day)
        before = None
        for number in range(1, person.visits + 1):
            day += timedelta(chance.whole(low, high))
            if number == person.gap_before:
                day += timedelta(chance.whole(*parameters().gap.days))
            yield day, self._training(day, number, before)
            before = day
        if person.ending == "drop-out":
            return
        if not person.ending:
            day += timedelta(chance.whole(low, high))
            yield day, self._review(day)
        day += timedelta(chance.whole(low, high))
        yield day, self._discharge(day)

    def _evaluation(self, day: date) -> Tree:
        person, logit = self._person, self._person.logits[0]
        return {
            **self._head(day, "evaluation", 0),
            "person": self._described(),
            "conditions": [self._condition(day)],
            "research_consent": {"decision": "permit", "date": day.isoformat()},
            "function": function(logit, self._chance, whole=True),
            "swallow_study": study(person, day.isoformat(), logit, self._chance),
        }

    def _training(self, day: date, number: int, before: date | None) -> Tree:
        person, text = self._person, day.isoformat()
        made = trials(person, number, self._chance)
        seen = [one["observed"] for one in made[:5]]
        self._at_target.append(seen.count("closed") >= 4 and "not observable" not in seen)
        record = {
            **self._head(day, "training", number, endoscopy=_ENDOSCOPY),
            "function": function(person.logits[number - 1], self._chance, whole=False),
            "training": {
                "protocol": "standard",
                "education_given": "yes" if number == 1 else "no",
                "trials": made,
            },
        }
        if self._screened is None or (day - self._screened).days > _SCREEN_DAYS:
            record["safety_screen"] = {"date": text, "items": dict.fromkeys(_SCREEN, "no")}
            self._screened = day
        if before is None:
            record["home_plan"] = self._plan(day)
            record["goals"] = [self._goal(day, target, made[:5]) for target in _TARGETS]
        else:
            record["practice"] = self._practice(before, day)
        return record

    def _review(self, day: date) -> Tree:
        logit = self._person.logits[-1]
        return {
            **self._head(day, "review", len(self._person.logits) + 1),
            "function": function(logit, self._chance, whole=True),
            "swallow_study": study(self._person, day.isoformat(), logit, self._chance),
        }

    def _discharge(self, day: date) -> Tree:
        met = all(self._at_target[-2:])
        reason = self._person.ending or ("goals met" if met else "plateau")
        return self._head(day, "discharge", len(self._person.logits) + 2, reason_for_ending=reason)

    def _head(self, day: date, type_: str, number: int, **visit: object) -> Tree:
        """What every record has; ``visit`` is what else there is to say of the visit."""
        person, site = self._person, self._person.site
        staff = f"HTEST-{site.name.replace(' ', '-').lower()}-slp-{self._clinician}"
        return {
            "visit_record": 1,
            "test_data": True,
            "record": {"system": f"{BASE}/visit-records", "value": f"{person.id}-v{number}"},
            "patient": {"system": f"{BASE}/patients", "value": person.id},
            "visit": {
                "type": type_,
                "start": f"{day.isoformat()}T10:00:00-05:00",
                "end": f"{day.isoformat()}T10:45:00-05:00",
                "clinician": {
                    "identifier": {"system": f"{BASE}/staff", "value": staff},
                    "name": f"Htest {site.name} Clinician {self._clinician}",
                },
                "episode_start": person.first_visit.isoformat(),
                **visit,
            },
            "red_flags": dict.fromkeys(_RED_FLAGS, "no"),
        }

    def _described(self) -> Tree:
        person, chance = self._person, self._chance
        name = "".join(chance.one(_SYLLABLES) for _ in range(3)).capitalize()
        return {
            "family": f"Htest-{name}",
            "given": ["Invented"],
            "birth_date": person.born.isoformat(),
            "gender": person.gender,
            "state": person.site.state,
            "postal_code": person.site.postal_code,
            "country": "US",
        }

    def _condition(self, day: date) -> Tree:
        one = self._person.condition
        began = day - timedelta(self._chance.whole(30, 720))
        code = {"system": "http://hl7.org/fhir/sid/icd-10-cm", "code": one.code, "display": one.display}
        return {"code": code, "onset": began.isoformat() if one.stroke else began.isoformat()[:7]}

    def _plan(self, day: date) -> Tree:
        start = day.isoformat()
        return {
            "start": start,
            "review": (day + timedelta(28)).isoformat(),
            "end": (day + timedelta(7 * _PLAN_WEEKS - 1)).isoformat(),
            "lines": [
                {
                    "exercise": "closure",
                    "manoeuvre": "breath-hold drill",
                    "sets": 1,
                    "repetitions": self._repetitions,
                    "sessions_per_day": self._sessions,
                    "days_per_week": self._days_a_week,
                    "weeks": _PLAN_WEEKS,
                    "hold_s": 3,
                    "effort": "light",
                    "practised_with": "saliva",
                    "goals": ["closure"],
                }
            ],
            "stop_rules": {
                "text": "Stop for chest pain, faintness or severe breathlessness, and call.",
                "date": start,
                "teach_back": "yes",
            },
        }

    def _goal(self, day: date, target: tuple[str, str, str], probe: list[Tree]) -> Tree:
        key, measure, description = target
        right = sum(
            one["observed"] == ("closed" if key == "closure" else one["own_judgement"]) for one in probe
        )
        baseline = 100 * right // len(probe)
        return {
            "key": key,
            "description": description,
            "lifecycle_status": "active",
            "purpose": "improve" if baseline < 80 else "maintain",
            "targets": [{"measure": measure, "comparator": ">=", "value": 80}],
            "criterion": {"visits": 2, "min_trials": 5, "dips": 2, "step": 20},
            "baseline": {"value": baseline, "date": day.isoformat(), "n": len(probe)},
            "start": day.isoformat(),
            "due": (day + timedelta(_GOAL_DAYS)).isoformat(),
            "expressed_by": "clinician" if key == "closure" else "patient",
        }

    def _practice(self, before: date, day: date) -> Tree:
        chance = self._chance
        start = max(before, day - timedelta(_LOG_DAYS))
        log: Tree = {"start": start.isoformat(), "end": (day - timedelta(1)).isoformat()}
        if chance.happens(parameters().adherence.log_not_returned):
            return {**log, "returned": "no"}
        days = [self._practised(start + timedelta(past)) for past in range((day - start).days)]
        return {**log, "returned": "yes", "entered_by": "patient", "days": [one for one in days if one]}

    def _practised(self, day: date) -> Tree:
        """What the log says of a day; nothing of half the days that were missed, and 0 of the others."""
        chance, daily = self._chance, self._repetitions * self._sessions
        if chance.happens(self._person.adherence):
            done = daily if chance.happens(0.6) else chance.whole(daily // 2, daily + 5)
        elif chance.happens(0.5):
            done = 0
        else:
            return {}
        return {"day": day.isoformat(), "exercise": "closure", "repetitions": done}
