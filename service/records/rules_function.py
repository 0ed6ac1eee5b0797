"""Rules on functional intake and patient report.

Functional oral intake scale: seven levels, 1-7. EAT-10: ten answers of 0-4 (Belafsky 2008).
"""

from service.records.case import Case
from service.records.report import Report
from service.records.visit import Function

__all__ = ["check_function"]

_RANGES = (
    ("weight_kg", "Weight {value} kg is outside 2-350.", 2, 350),
    ("pneumonia_since_last_visit", "Pneumonia count {value} is outside 0-20.", 0, 20),
    ("liquid_level", "Drink level {value} is outside 0-4 (IDDSI).", 0, 4),
    ("food_level", "Food level {value} is outside 3-7 (IDDSI).", 3, 7),
    ("meal_minutes", "Meal time {value} min is outside 0-240.", 0, 240),
)


def check_function(case: Case, report: Report) -> None:
    """Intake level with tube, EAT-10 with its answers, and the ranges of the rest."""
    function, visit = case.record.function, case.record.visit
    below = report.below("function")
    needs_level = visit is not None and visit.type in ("evaluation", "review")
    if needs_level and (function is None or function.oral_intake_level is None):
        message = "Give the oral intake level at each evaluation and review."
        below.error("oral_intake_level", message, "intake-level-given")
    if function is None:
        return
    _intake(function, below)
    _eat10(function, below)
    for field, sentence, low, high in _RANGES:
        value = getattr(function, field)
        if value is not None and not low <= value <= high:
            below.error(field, sentence.format(value=value), "function-range")


def _intake(function: Function, report: Report) -> None:
    level, tube = function.oral_intake_level, function.tube
    if level is None:
        return
    if not 1 <= level <= 7:
        report.error("oral_intake_level", "Oral intake level must be 1 to 7.", "intake-level-range")
    elif level in (2, 3) and tube == "no":
        report.error("tube", "Levels 2 and 3 mean tube feeding; tube is marked 'no'.", "intake-level-tube")
    elif level == 1 and tube == "no":
        report.warn("tube", "Nothing by mouth and no tube: record the feeding route.", "intake-level-tube")
    elif level > 3 and tube == "yes":
        message = f"Level {level} means everything is taken by mouth; tube is marked 'yes'. Check both."
        report.warn("tube", message, "intake-level-tube")


def _eat10(function: Function, report: Report) -> None:
    total, items = function.eat10_total, function.eat10_items
    if total is not None and total > 40:
        report.error("eat10_total", f"EAT-10 total {total} is above 40.", "eat10-range")
    if total is not None and total < 0:
        report.error("eat10_total", f"EAT-10 total {total} is below 0.", "eat10-range")
    if items is None:
        return
    for number, answer in enumerate(items):
        if not 0 <= answer <= 4:
            report.error(("eat10_items", number), f"EAT-10 answer {answer} is outside 0-4.", "eat10-answer")
    if len(items) < 10:
        message = f"All ten answers are needed; {len(items)} given. No total is computed."
        report.error("eat10_items", message, "eat10-complete")
    elif len(items) > 10:
        report.error("eat10_items", f"EAT-10 has ten answers; {len(items)} given.", "eat10-complete")
    elif total is not None and total != sum(items):
        message = f"The ten answers add to {sum(items)}, but the total is {total}."
        report.error("eat10_total", message, "eat10-sum")
