"""The swallows of a study one by one, as recorded."""

from collections.abc import Iterable
from dataclasses import dataclass

from service.page.facts import answer
from service.page.study_grid import consistency
from service.records.worded import WordedObservation

__all__ = ["BolusRow", "bolus_rows"]


@dataclass(frozen=True, slots=True)
class BolusRow:
    """One swallow; texts as recorded, empty where nothing was."""

    number: int
    given: str
    score: str
    timing: str
    response: str
    residue: str
    manoeuvre: str


def bolus_rows(observed: Iterable[WordedObservation]) -> tuple[BolusRow, ...]:
    """Every swallow, in the order they were given."""
    return tuple(sorted(map(_row, observed), key=lambda row: row.number))


def _row(one: WordedObservation) -> BolusRow:
    score, effect = one.part("airway-invasion-8pt").whole, answer(one.part("manoeuvre-effect"))
    used = one.part("manoeuvre")
    manoeuvre = "" if used.answer in ("", "none") else answer(used)
    inferred = " (inferred)" if one.part("entry-inferred").value_boolean else ""
    return BolusRow(
        number=one.part("bolus-sequence").whole or 0,
        given=_given(one),
        score=str(score) if score is not None else "not rateable",
        timing=", ".join(_all(one, "entry-timing")) + inferred,
        response=answer(one.part("entry-response")),
        residue=_residue(one),
        manoeuvre=manoeuvre + (f", effect: {effect}" if manoeuvre and effect else ""),
    )


def _given(one: WordedObservation) -> str:
    level = one.part("bolus-consistency").answer.removeprefix("iddsi-")
    volume = one.part("bolus-volume").number("mL")
    amount = f"{float(volume):g} mL" if volume is not None else one.part("bolus-amount").value_string
    name = consistency(int(level)) if level.isdigit() else "consistency not recorded"
    return ", ".join(filter(None, (name, amount, answer(one.part("delivery")))))


def _all(one: WordedObservation, code: str) -> list[str]:
    return [answer(part) for part in one.component if part.code.own == code]


def _residue(one: WordedObservation) -> str:
    places = (("vallecula", "residue-vallecula"), ("pyriform", "residue-pyriform"))
    left = [f"{place} {text}" for place, code in places if (text := answer(one.part(code)))]
    return "; ".join([*left, *(f"{place}" for place in _all(one, "residue-elsewhere"))])
