"""Rules on a swallow study and its boluses.

Penetration-aspiration scale: Rosenbek 1996. Residue levels and their percent ranges: Neubauer, Rademaker,
Leder 2015 (ranges from memory of the paper); a value on a boundary belongs to the lower level.
"""

from decimal import Decimal

from service.records.case import Case
from service.records.report import Report
from service.records.visit import Bolus, SwallowStudy

__all__ = ["check_study", "is_compared", "plain_swallows", "residue_level"]

Swallowed = tuple[int, Decimal | None, str | None]
"""Consistency, volume and amount of a bolus."""

_PUREE = 4
_RESIDUE = ((0, "none"), (5, "trace"), (25, "mild"), (50, "moderate"), (100, "severe"))
_CLASH = {
    (8, "throat clear"): "Score 8 means no effort to clear; a throat clear is recorded.",
    (8, "cough effective"): "Score 8 means no effort to clear; a cough is recorded.",
    (8, "cough ineffective"): "Score 8 means no effort to clear; a cough is recorded.",
    (7, "none"): "Score 7 means an effort was made and the material stayed; the response recorded disagrees.",
    (
        7,
        "cough effective",
    ): "Score 7 means an effort was made and the material stayed; the response recorded disagrees.",
    (
        6,
        "cough ineffective",
    ): "Score 6 means the material was cleared from below the folds; an ineffective cough is recorded.",
}


def check_study(case: Case, report: Report) -> None:
    """The study's date and ratings, and every bolus."""
    study = case.record.swallow_study
    if study is None:
        return
    below = report.below("swallow_study")
    _date(case, study, below)
    if study.secretion_rating is not None and not 0 <= study.secretion_rating <= 3:
        below.error("secretion_rating", "Secretion rating runs from 0 to 3.", "secretion-range")
    plain = plain_swallows(study)
    seen: set[int] = set()
    for number, bolus in enumerate(study.boluses):
        row = below.below("boluses", number)
        if bolus.sequence is not None and bolus.sequence in seen:
            row.error("sequence", f"Bolus {bolus.sequence} is listed twice.", "bolus-unique")
        seen.add(bolus.sequence)
        _bolus(study, bolus, row)
        _effect(bolus, row, compared=is_compared(bolus, plain))


def plain_swallows(study: SwallowStudy) -> set[Swallowed]:
    """What was swallowed without manoeuvre or posture."""
    return {(one.consistency, one.volume_ml, one.amount) for one in study.boluses if one.manoeuvre == "none"}


def is_compared(bolus: Bolus, plain: set[Swallowed]) -> bool:
    """Was the same consistency and amount also swallowed without a manoeuvre?"""
    return (bolus.consistency, bolus.volume_ml, bolus.amount) in plain


def residue_level(percent: Decimal) -> str:
    """The severity word for a percentage of the cavity, 0-100."""
    return next((level for most, level in _RESIDUE if percent <= most), "severe")


def _date(case: Case, study: SwallowStudy, report: Report) -> None:
    if study.date is None:
        return
    if case.birth_date is not None and study.date < case.birth_date:
        report.error(
            "date", f"Study date {study.date} is before the birth date ({case.birth_date}).", "study-date"
        )
    if study.date > case.today:
        report.error("date", f"Study date {study.date} is in the future.", "study-date")
    elif study.date > case.visit_day:
        report.error("date", f"Study date {study.date} is after the visit ({case.visit_day}).", "study-date")


def _bolus(study: SwallowStudy, bolus: Bolus, report: Report) -> None:
    if bolus.consistency is not None and not 0 <= bolus.consistency <= 7:
        report.error("consistency", "Consistency must be an IDDSI level from 0 to 7.", "consistency-range")
    elif bolus.consistency is not None:
        _volume(bolus, report)
    _airway_score(study, bolus, report)
    _residue(bolus, report)


def _volume(bolus: Bolus, report: Report) -> None:
    volume = bolus.volume_ml
    if bolus.consistency > _PUREE and volume is not None:
        message = f"Level {bolus.consistency} is a solid; give pieces or grams, not millilitres."
        report.error("volume_ml", message, "bolus-solid")
    elif volume is not None and not Decimal("0.5") <= volume <= 250:
        report.error("volume_ml", f"Bolus volume {volume} mL is outside 0.5-250 mL.", "bolus-volume")
    elif volume is None and bolus.amount is None and bolus.consistency <= _PUREE:
        report.error(
            "volume_ml", "Give the bolus volume in mL, or an amount such as 'cup sips'.", "bolus-volume"
        )
    elif volume is None and bolus.amount is None:
        report.error("amount", f"Level {bolus.consistency} is a solid; give pieces or grams.", "bolus-solid")


def _airway_score(study: SwallowStudy, bolus: Bolus, report: Report) -> None:
    score, timing = bolus.airway_score, bolus.timing or []
    if not isinstance(score, int):
        return
    if not 1 <= score <= 8:
        message = (
            f"Penetration-aspiration score {score} is not valid. "
            "Use a whole number from 1 to 8 for each swallow; averages are not accepted."
        )
        report.error("airway_score", message, "airway-score-range")
        return
    if score == 1 and timing:
        message = "Score 1 means nothing entered the airway, so timing must be empty."
        report.error("timing", message, "timing-with-entry")
    if score > 1 and not timing:
        message = "Say whether material entered before, during or after the swallow, or mark 'not seen'."
        report.error("timing", message, "timing-with-entry")
    if "not seen" in timing and len(timing) > 1:
        report.error("timing", "Timing can't be 'not seen' and seen at once.", "timing-with-entry")
    if score > 1 and bolus.response is None:
        message = "Say how the entry was answered: none, throat clear, cough effective or cough ineffective."
        report.error("response", message, "response-with-entry")
    if clash := _CLASH.get((score, bolus.response or "")):
        report.error("response", f"{clash} Check the score or the response.", "response-fits-score")
    if study.method == "endoscopic" and "during" in timing and not bolus.inferred:
        message = "During the swallow the endoscope view is blocked; mark this as inferred."
        report.warn("inferred", message, "during-inferred")


def _residue(bolus: Bolus, report: Report) -> None:
    for site in ("vallecula", "pyriform"):
        level, percent = getattr(bolus, f"residue_{site}"), getattr(bolus, f"residue_{site}_percent")
        field = f"residue_{site}_percent"
        if percent is None:
            continue
        if not 0 <= percent <= 100:
            report.error(field, f"Residue {percent} % is outside 0-100.", "residue-range")
        elif level is not None and (published := residue_level(percent)) != level:
            message = f"{percent} % is '{published}' on the published scale, but '{level}' was chosen."
            report.error(field, message, "residue-level")


def _effect(bolus: Bolus, report: Report, *, compared: bool) -> None:
    if bolus.manoeuvre is None:
        return
    if bolus.manoeuvre == "none":
        if bolus.effect is not None:
            message = "An effect needs a manoeuvre or posture to be the effect of."
            report.error("effect", message, "effect-manoeuvre")
    elif not compared:
        message = (
            "No swallow without the manoeuvre at this consistency and volume; "
            "effect is marked 'no comparison'."
        )
        report.warn("effect", message, "effect-comparison")
    elif bolus.effect is None:
        message = "Say whether the manoeuvre made the swallow better, the same or worse."
        report.error("effect", message, "effect-stated")
