"""The page's drawings as inline SVG; one drawn before costs nothing."""

from functools import lru_cache

from markupsafe import Markup

from service.page.drawing import svg
from service.page.run_chart import run_chart as drawn
from service.page.view_model import GoalView

__all__ = ["run_chart"]


@lru_cache(maxsize=256)
def run_chart(goal: GoalView) -> Markup:
    """A goal's run chart; empty without any visit."""
    return svg(drawn(goal)) if goal.readings else Markup()
