"""The page's drawings as inline SVG; one drawn before costs nothing."""

from functools import lru_cache

from markupsafe import Markup

from service.page.drawing import Drawing, svg
from service.page.home_practice import PracticeView, calendar_drawing
from service.page.own_judgement import JudgementView, bias_drawing
from service.page.run_chart import run_chart as drawn
from service.page.view_model import GoalView
from service.page.visit_rows import VisitRow, pairs_drawing

__all__ = ["bias", "calendar", "pairs", "picture", "run_chart"]


@lru_cache(maxsize=256)
def run_chart(goal: GoalView) -> Markup:
    """A goal's run chart; empty without any visit."""
    return svg(drawn(goal)) if goal.readings else Markup()


def pairs(rows: tuple[VisitRow, ...]) -> Markup:
    """Before and after training, by visit."""
    return svg(pairs_drawing(rows))


def bias(view: JudgementView) -> Markup:
    """Bias of the own judgement, by visit."""
    return svg(bias_drawing(view))


def calendar(view: PracticeView) -> Markup:
    """Home practice, day by day."""
    return svg(calendar_drawing(view))


def picture(drawing: Drawing) -> Markup:
    """What is drawn already."""
    return svg(drawing)
