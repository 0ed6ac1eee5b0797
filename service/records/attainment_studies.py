"""Bolus Observations as swallow studies.

What tells the method is the category: imaging is X-ray, exam an endoscope (``study.py`` writes them so).
"""

from collections.abc import Iterable
from datetime import date

from service.attainment.airway import GROUPS
from service.attainment.study import Study, Swallow
from service.records.seen import Seen
from service.records.views import Observation

__all__ = ["studies", "study_method"]

_METHODS = {"imaging": "videofluoroscopic", "exam": "endoscopic"}


def studies(boluses: Iterable[Seen]) -> tuple[Study, ...]:
    """Group the boluses by encounter, day and method, in the order they were given."""
    found: dict[tuple[str, date, str], list[Seen]] = {}
    for one in boluses:
        key = one.observation.encounter.reference, one.day, study_method(one.observation)
        found.setdefault(key, []).append(one)
    return tuple(
        Study(day, tuple(swallow for one in sorted(group, key=_order) if (swallow := _swallow(one))), method)
        for (_, day, method), group in found.items()
    )


def study_method(observation: Observation) -> str:
    """``endoscopic`` or ``videofluoroscopic``: how a finding of a study was seen; empty if not recorded."""
    return next((method for code, method in _METHODS.items() if code in observation.categories), "")


def _order(bolus: Seen) -> int:
    return bolus.part("bolus-sequence").whole or 0


def _swallow(bolus: Seen) -> Swallow | None:
    """A bolus of a known consistency; one without a score from 1 to 8 was not rated."""
    parts = bolus.observation.parts
    level = parts["bolus-consistency"].answer.removeprefix("iddsi-")
    if not level.isdigit():
        return None
    score, manoeuvre = parts["airway-invasion-8pt"].whole, parts["manoeuvre"].answer
    kind = [parts["bolus-amount"].value_string]
    kind += ["easy to chew"] if parts["easy-to-chew"].value_boolean else []
    kind += ["transitional"] if parts["transitional-food"].value_boolean else []
    return Swallow(
        consistency=int(level),
        score=score if score in GROUPS else None,
        volume=parts["bolus-volume"].number("mL"),
        amount=", ".join(filter(None, kind)),
        manoeuvre="" if manoeuvre == "none" else manoeuvre,
        timing=tuple(
            one.answer for one in bolus.observation.component if one.own == "entry-timing" and one.answer
        ),
        evidence=bolus.reference,
    )
