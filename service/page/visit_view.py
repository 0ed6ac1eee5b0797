"""One visit: its trials, its study, how it was borne, and what changed since the visit before."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from service.page import cautions, words
from service.page.bolus_rows import BolusRow, bolus_rows
from service.page.facts import answer
from service.page.study_conditions import CONDITIONS
from service.page.tolerance import ToleranceView, tolerance_view
from service.page.trial_grid import TrialGrid, trial_grid
from service.page.visit_changes import ChangeRow
from service.records.attainment_studies import study_method
from service.records.tolerance import Tolerance
from service.records.views import Encounter
from service.records.worded import WordedObservation

__all__ = ["READ", "VisitView", "visit_view"]

READ = (
    "trial-closure",
    "trial-self-judgement",
    "bolus-swallow",
    CONDITIONS,
    "red-flag-checklist",
    "training-session",
)
"""Own codes of the Observations the page of a visit shows."""


@dataclass(frozen=True, slots=True)
class VisitView:
    """A visit of ``patient`` (an id) on ``day``.

    ``before`` is the day of the visit before, None for the first. ``excluded`` is why its values count
    nowhere, empty where they do; ``awaits`` is the signature its record waits for, ``amended`` whether it was
    changed after it had been signed. ``red_flags`` is None
    where nobody asked. ``methods`` are those of this visit's study, ``how`` says them and the quality of the
    view in words.
    """

    patient: str
    encounter: str
    name: str
    invented: bool
    day: date
    before: date | None
    excluded: str
    awaits: str
    amended: bool
    red_flags: tuple[str, ...] | None
    not_done: str
    grid: TrialGrid | None
    methods: tuple[str, ...]
    how: str
    boluses: tuple[BolusRow, ...]
    changes: tuple[ChangeRow, ...]
    tolerance: ToleranceView

    @property
    def cautions(self) -> tuple[tuple[str, str], ...]:
        """What the trials, seen through an endoscope, and the study of this visit ask to be careful about."""
        trained = cautions.EXERCISES if self.grid else None
        seen = cautions.of_studies(("endoscopic", *self.methods) if self.grid else self.methods)
        return (trained, *seen) if trained else seen

    @property
    def names(self) -> dict[str, str]:
        """Words for what can be decided about here: the visit and its trials, by reference."""
        rows = self.grid.rows if self.grid else ()
        trials = {
            f"Observation/{one.id}": f"trial {one.number}, {posture}"
            for posture, cells in rows
            for cell in cells
            for one in cell
        }
        return {f"Encounter/{self.encounter}": "this visit", **trials}


def visit_view(
    who: tuple[str, str, bool],
    visit: tuple[Encounter, Tolerance],
    days: tuple[date, date | None],
    observed: Iterable[WordedObservation],
    changed: tuple[ChangeRow, ...],
) -> VisitView:
    """Make the view: ``who`` is id, name and whether invented; ``visit`` comes with how it was borne.

    ``days`` are this visit's and the one before's. ``observed`` may be of other visits as well; those of
    this visit count.
    """
    encounter, borne = visit
    own = [one for one in observed if one.in_force and one.encounter.target == encounter.reference]
    by_code: dict[str, list[WordedObservation]] = {code: [] for code in READ}
    for one in own:
        by_code.setdefault(one.code.own, []).append(one)
    flags = by_code["red-flag-checklist"]
    methods = tuple(sorted({study_method(one) for one in by_code["bolus-swallow"]}))
    quality = {study_method(one): answer(one.part("view-quality")) for one in by_code[CONDITIONS]}
    id_, name, invented = who
    return VisitView(
        patient=id_,
        encounter=encounter.id,
        name=name,
        invented=invented,
        day=days[0],
        before=days[1],
        excluded=(encounter.exclusion or "no reason given") if encounter.excluded else "",
        awaits=encounter.awaits,
        amended=encounter.amended,
        red_flags=_flags(flags[-1]) if flags else None,
        not_done="; ".join(_not_done(one) for one in by_code["training-session"] if _not_done(one)),
        grid=trial_grid(by_code["trial-closure"], by_code["trial-self-judgement"]),
        methods=methods,
        how="; ".join(words.study(method, quality.get(method, "")) for method in methods),
        boluses=bolus_rows(by_code["bolus-swallow"]),
        changes=changed,
        tolerance=tolerance_view(borne),
    )


def _flags(checklist: WordedObservation) -> tuple[str, ...]:
    return tuple(part.code.words.lower() for part in checklist.component if part.answer == "yes")


def _not_done(session: WordedObservation) -> str:
    return session.part("post-block-not-done").value_string
