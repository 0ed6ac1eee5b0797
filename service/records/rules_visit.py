"""Rules on the visit itself: its time, the endoscope, what was given, what went wrong, vital signs."""

from datetime import timedelta

from service.records.case import Case
from service.records.report import Report
from service.records.visit import Endoscopy, Visit, VitalSigns

__all__ = ["check_visit"]

_CLOCKS_DIFFER = timedelta(minutes=5)
_VITAL_SIGNS = (
    ("heart_rate", "Heart rate", "/min", 20, 250),
    ("oxygen_saturation", "Oxygen saturation", "%", 50, 100),
    ("systolic", "Systolic pressure", "mm[Hg]", 50, 300),
    ("diastolic", "Diastolic pressure", "mm[Hg]", 20, 200),
)


def check_visit(case: Case, report: Report) -> None:
    """The visit's time is possible and its own; the examination is described."""
    visit = case.record.visit
    if visit is None:
        return
    below = report.below("visit")
    _time(case, below)
    _ending(visit, below)
    _endoscopy_given(case, below)
    if visit.endoscopy is not None and visit.endoscopy.in_place in ("yes", "stopped early"):
        _endoscopy(visit.endoscopy, below.below("endoscopy"))
    if visit.vital_signs is not None:
        _vital_signs(visit.vital_signs, below.below("vital_signs"))


def _time(case: Case, report: Report) -> None:
    visit, start = case.record.visit, case.visit_start
    if start is None:
        return
    shown = start.isoformat()
    if start > case.now + _CLOCKS_DIFFER:
        report.error("start", f"Visit time {shown} is in the future.", "visit-past")
    if case.birth_date is not None and case.visit_day < case.birth_date:
        report.error(
            "start", f"Visit {shown} is before the birth date ({case.birth_date}).", "visit-after-birth"
        )
    episode = visit.episode_start or case.context.episode_start
    if episode is not None and case.visit_day < episode:
        message = f"Visit {shown} is before the episode of care started ({episode})."
        report.error("start", message, "visit-in-episode")
    if visit.end is not None and visit.end < start:
        report.error("end", f"Visit end {visit.end.isoformat()} is before its start ({shown}).", "visit-end")
    own = case.record.record.value if case.record.record is not None else None
    if any(other.start == start and other.record != own for other in case.context.visits):
        report.error("start", f"Two visits share {shown}; correct one of them.", "visit-time-unique")


def _ending(visit: Visit, report: Report) -> None:
    ends, reason = visit.type == "discharge", visit.reason_for_ending
    if reason is not None and visit.type and not ends:
        message = f"A reason for ending ('{reason}') belongs to a discharge visit; this is '{visit.type}'."
        report.error("reason_for_ending", message, "ending-at-discharge")
    elif ends and reason is None:
        message = "Say why the episode ends: goals met, plateau, medical change, moved, declined or died."
        report.warn("reason_for_ending", message, "ending-stated")


def _endoscopy_given(case: Case, report: Report) -> None:
    visit = case.record.visit
    seen = any(trial.observed in ("closed", "not closed") for trial in case.trials)
    if seen and (visit.endoscopy is None or visit.endoscopy.in_place == "no"):
        message = "Observed closure needs a view of the larynx; this visit has no endoscopy recorded."
        report.error("endoscopy", message, "closure-needs-view")
    elif visit.type == "training" and visit.endoscopy is None:
        message = "Say whether the endoscope was in place: yes, no or stopped early."
        report.error("endoscopy", message, "endoscopy-stated")


def _endoscopy(endoscopy: Endoscopy, report: Report) -> None:
    if endoscopy.in_place == "stopped early" and endoscopy.reason is None:
        report.error("reason", "Say why the endoscopy was stopped early.", "endoscopy-stopped")
    if endoscopy.anaesthetic is None:
        message = "Record the topical anaesthetic or decongestant given, or 'none'."
        report.error("anaesthetic", message, "anaesthetic-stated")
    for number, given in enumerate(endoscopy.anaesthetic if isinstance(endoscopy.anaesthetic, list) else []):
        if given.dose is not None and given.unit is None:
            message = f"Give the unit for the {given.agent} dose."
            report.error(("anaesthetic", number, "unit"), message, "anaesthetic-unit")
    if endoscopy.tolerance is None:
        message = "Record how the examination was tolerated, or 'no adverse event'."
        report.error("tolerance", message, "tolerance-stated")
    for number, adverse in enumerate(endoscopy.tolerance if isinstance(endoscopy.tolerance, list) else []):
        if adverse.action is None:
            message = f"Describe what was done about '{adverse.event}'."
            report.error(("tolerance", number, "action"), message, "adverse-action")


def _vital_signs(signs: VitalSigns, report: Report) -> None:
    for field, name, unit, low, high in _VITAL_SIGNS:
        value = getattr(signs, field)
        if value is not None and not low <= value <= high:
            message = f"{name} {value} {unit} is outside {low}-{high}; re-enter or mark as an error."
            report.error(field, message, "vital-sign-range")
    if signs.systolic is not None and signs.diastolic is not None and signs.systolic <= signs.diastolic:
        message = f"Systolic pressure {signs.systolic} is not above diastolic pressure {signs.diastolic}."
        report.error("systolic", message, "blood-pressure-order")
