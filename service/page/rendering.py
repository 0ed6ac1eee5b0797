"""Templates to HTML. Autoescape is on for every template; only the charts' own SVG is trusted."""

from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.responses import HTMLResponse

from service.page import cautions, charts, words
from service.page.frame import frame

__all__ = ["html"]

_environment = Environment(
    loader=PackageLoader("service.page", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_environment.globals.update(
    words=words, cautions=cautions, run_chart=charts.run_chart, drawn=charts, frame=frame
)


def html(template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """Fill a template; a value the template needs and does not get is an error, never an empty place."""
    return HTMLResponse(_environment.get_template(template).render(values), status_code=status)
