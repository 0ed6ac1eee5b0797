"""A goal's run chart as SVG that stands alone and needs no script, and the same told in words.

altair and the renderer are imported on the first chart: together they cost about 110 MB and 0.8 s. A chart
costs about 0.1 s, most of it altair's; one drawn before costs nothing.
"""

import hashlib
from functools import lru_cache

from markupsafe import Markup, escape

from service.page import words
from service.page.run_chart import specification
from service.page.view_model import GoalView

__all__ = ["describe", "run_chart"]

KEPT = 256


def describe(goal: GoalView) -> str:
    """Tell the chart in words for those who do not see it: every visit, the target and what was met."""
    visits = "; ".join(
        f"{words.day(r.day)} {words.value(goal.measure, r.value)}"
        + (f" ({words.count(r.trials)})" if r.trials else "")
        for r in goal.readings
    )
    return f"{visits}. Target: {words.criterion(goal)}. {words.direction(goal.measure).capitalize()}."


@lru_cache(maxsize=KEPT)
def run_chart(goal: GoalView) -> Markup:
    """Render a goal's chart as inline SVG with title and description; empty without any visit.

    The same content gives the same picture, so the newest are kept.
    """
    if not goal.readings:
        return Markup()
    import vl_convert  # noqa: PLC0415 - starts a script engine; only the first chart pays for it

    svg = vl_convert.vegalite_to_svg(
        specification(goal).to_json(indent=None, validate=False), allowed_base_urls=[]
    )
    name = hashlib.sha256(f"{goal.id} {svg}".encode()).hexdigest()[:12]
    return Markup(_labelled(svg, name, goal.description, describe(goal)))  # noqa: S704 - texts are escaped there


def _labelled(svg: str, name: str, title: str, description: str) -> str:
    """Name and describe the drawing for a screen reader; the marks themselves are left unspoken."""
    opening, rest = svg.split(">", 1)
    return (
        f'{opening} role="img" aria-labelledby="t{name} d{name}">'
        f'<title id="t{name}">{escape(title)}</title><desc id="d{name}">{escape(description)}</desc>{rest}'
    )
