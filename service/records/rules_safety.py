"""Rules on the safety screen, clearance for breath-holding, the effort limit and red flags.

Yes or unknown on a cardiac, cerebrovascular-pressure or pulmonary item keeps all breath-holding back until a
physician clears it; then the cleared effort is the limit.
"""

from collections.abc import Mapping

from service.records.case import Case
from service.records.protocols import Item, red_flag_items, screen_items
from service.records.report import Report

__all__ = ["check_safety"]


def check_safety(case: Case, report: Report) -> None:
    """A current screen, and clearance where an item is marked, before breath-holding; red flags answered."""
    _screen(case, report)
    _clearance(case, report)
    _breath_hold(case, report)
    _red_flags(case, report.below("red_flags"))


def _screen(case: Case, report: Report) -> None:
    screen = case.record.safety_screen
    if screen is None:
        return
    below = report.below("safety_screen")
    if screen.date is not None and screen.date > case.visit_day:
        below.error("date", f"Safety screen date {screen.date} is after the visit.", "screen-date")
    _known_items(screen.items or {}, screen_items(), below.below("items"))
    if absent := [item.display for key, item in screen_items().items() if key not in (screen.items or {})]:
        message = f"Answer every item of the safety screen; missing: {', '.join(absent)}."
        below.error("items", message, "screen-complete")


def _clearance(case: Case, report: Report) -> None:
    clearance = case.record.clearance
    if clearance is None:
        return
    below = report.below("clearance")
    if clearance.date is not None and clearance.date > case.visit_day:
        below.error("date", f"Clearance date {clearance.date} is after the visit.", "clearance-date")
    if clearance.decision == "limited" and clearance.effort_limit is None:
        below.error(
            "effort_limit", "Say which effort is cleared: light, medium or strong.", "clearance-limit"
        )
    if clearance.by is not None and clearance.by.role != "physician":
        below.error("by", "Clearance is given by a physician; check the role.", "clearance-physician")


def _breath_hold(case: Case, report: Report) -> None:
    if case.has_breath_hold_trials and not case.has_current_screen:
        message = (
            f"Safety screen is missing or older than {case.settings.safety_screen_days} days. "
            "Breath-hold trials cannot be saved until it is completed."
        )
        report.error("safety_screen", message, "screen-current")
    elif case.breath_hold_lines and not case.has_current_screen:
        message = "The plan holds breath-hold exercises, but no current safety screen is on file."
        report.warn(("home_plan", "lines"), message, "screen-current")
    if not case.has_breath_hold_trials and not case.breath_hold_lines:
        return
    cleared = case.clearance is not None and case.clearance.decision != "not cleared"
    if case.cautions and not cleared:
        message = (
            f"A cautionary item is marked ({', '.join(case.cautions)}). "
            "Record medical clearance or choose a plan without breath-holding."
        )
        report.error("clearance", message, "clearance-needed")
    elif case.clearance is not None and not cleared:
        message = (
            f"Breath-holding was not cleared on {case.clearance.date}. Choose a plan without breath-holding."
        )
        report.error("clearance", message, "clearance-needed")
    _new_cautions(case, report)


def _new_cautions(case: Case, report: Report) -> None:
    """A screen newer than the clearance may have marked something the physician did not know."""
    if case.record.safety_screen is None or case.screen is None or case.clearance is None:
        return
    if case.cautions and case.clearance.date < case.screen.date and case.clearance.decision != "not cleared":
        message = (
            f"The clearance of {case.clearance.date} is older than the safety screen of {case.screen.date}; "
            f"check that it covers {', '.join(case.cautions)}."
        )
        report.warn("clearance", message, "clearance-age")


def _red_flags(case: Case, report: Report) -> None:
    message = "Answer the red-flag list before closing the visit."
    answers = case.record.red_flags
    if not answers:
        report.error("", message, "red-flags-answered")
        return
    _known_items(answers, red_flag_items(), report)
    for key in red_flag_items():
        if key not in answers:
            report.error(key, message, "red-flags-answered")


def _known_items(answers: Mapping[str, str], items: Mapping[str, Item], report: Report) -> None:
    for key in answers:
        if key not in items:
            report.error(
                key, f"Item '{key[:60]}' is not on the list; known are {', '.join(items)}.", "item-known"
            )
