"""What the page of a cohort is asked for, as its address says it, and the form shows it again."""

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlencode

from starlette.datastructures import QueryParams

from service.errors import InvalidInput
from service.jobs.cohort_division import EVERYBODY

__all__ = ["Form", "form"]

_NAMES = ("by", "measure", "site", "condition", "age", "first-visit", "policy")
_STRATUM = "stratum"
_WRITTEN = ("condition", "age")
"""Fields in which several are written with commas between."""


@dataclass(frozen=True, slots=True)
class Form:
    """``given`` holds what is asked of the cohort, ``stratum`` whose curves are shown in full."""

    given: Mapping[str, list[str]]
    stratum: str = EVERYBODY

    def all(self, name: str) -> list[str]:
        """What a field holds."""
        return self.given.get(name, [])

    def one(self, name: str) -> str:
        """The same as a text to write on."""
        return ", ".join(self.all(name))

    def of(self, stratum: str) -> str:
        """The address of this page with another stratum in full."""
        return f"/app/cohort?{urlencode({**self.given, _STRATUM: stratum}, doseq=True)}"

    def saved_as(self, kind: str) -> str:
        """The address of the same answer as a file."""
        query = urlencode(self.given, doseq=True)
        return f"/app/cohort.{kind}{f'?{query}' if query else ''}"


def form(parameters: QueryParams) -> Form:
    """Read the parameters of an address; InvalidInput for one that is not known here."""
    if unknown := sorted(set(parameters) - {*_NAMES, _STRATUM}):
        known = ", ".join(_NAMES)
        raise InvalidInput(f"Not known here: {', '.join(unknown)[:200]}; there are: {known}.")
    given = {name: _texts(name, parameters.getlist(name)) for name in _NAMES}
    asked = {name: texts for name, texts in given.items() if texts}
    return Form(asked, parameters.get(_STRATUM) or EVERYBODY)


def _texts(name: str, values: list[str]) -> list[str]:
    texts = [one for text in values for one in text.split(",")] if name in _WRITTEN else values
    return [one.strip() for one in texts if one.strip()]
