"""The practice log: one Observation for the period, one per day and exercise."""

from service.records.draft import US_CORE, Draft
from service.records.elements import Element, coded, day, measured, text, whole
from service.records.known import Known, KnownLine
from service.records.visit import Practice, PracticeDay

__all__ = ["add_practice"]

_SIMPLE = f"{US_CORE}us-core-simple-observation"


def add_practice(draft: Draft, practice: Practice, known: Known) -> None:
    """The log brought to this visit. Absent days stay absent; 0 is a value."""
    who = _performer(draft, practice)
    prescribed = known.prescribed(practice.start, practice.end)
    days = [_add_day(draft, one, known.line(one.exercise, one.day), who) for one in practice.days]
    draft.observe(
        "practice",
        "practice-log",
        ("activity",),
        coded(draft.codes.answer("returned" if practice.returned == "yes" else "not returned")),
        components=[
            *draft.component("repetitions-prescribed", _repetitions(prescribed)),
            *draft.answered("entered-by", practice.entered_by),
        ],
        effective={"start": day(practice.start), "end": day(practice.end)},
        performer=who,
        profile=_SIMPLE,
        hasMember=days,
    )


def _performer(draft: Draft, practice: Practice) -> list[str]:
    """The patient or the clinician; a carer, being nobody on file, is named in a component only."""
    if practice.entered_by == "carer":
        return []
    return [draft.clinician() if practice.entered_by == "clinician from diary" else draft.patient]


def _repetitions(number: int | None) -> Element | None:
    return None if number is None else measured(number, "1", "repetitions")


def _add_day(draft: Draft, one: PracticeDay, line: KnownLine | None, who: list[str]) -> str:
    return draft.observe(
        f"practice/{one.exercise}/{day(one.day)}",
        "practice-day",
        ("activity",),
        _repetitions(one.repetitions),
        components=[
            *draft.component("exercise", text(one.exercise)),
            *draft.component("repetitions-prescribed", _repetitions(line.daily if line else None)),
            *draft.component("sessions-done", None if one.sessions is None else whole(one.sessions)),
            *draft.answered("used-at-meals", one.used_at_meals, standard=False),
            *draft.answered("effort-felt", one.effort),
            *draft.component(
                "discomfort", None if one.discomfort is None else measured(one.discomfort, "{score}")
            ),
            *[part for said in one.symptoms for part in draft.component("symptom", text(said))],
        ],
        effective=day(one.day),
        performer=who,
        profile=_SIMPLE,
        basedOn=[line.reference] if line else [],
    )
