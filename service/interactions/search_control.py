"""The parameters that steer a search's answer rather than filter it (FHIR R4 search.html)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from service.errors import InvalidInput, Issue, Place, ServiceError
from service.fhir.search_clauses import table_of
from service.fhir.search_query import Sort
from service.fhir.summary import Subset, subset_of
from service.interactions.context import Context
from service.interactions.includes import Include, read_include

__all__ = ["CONTROL", "INCLUDES", "Control", "bad", "read_control"]

CONTROL = (
    *("_count", "_sort", "_total", "_summary", "_elements", "_contained", "_containedType"),
    *("_after", "_before"),
)
INCLUDES = ("_include", "_revinclude")
_MAY_BE_EMPTY = frozenset({"_count", "_sort", "_total", "_summary", "_elements"})
"""An empty one asks for nothing, as forms send it that were not filled in."""
_MOST_SORTS = 5
_MOST_INCLUDES = 20
_UNSORTABLE = frozenset({"composite"})
Params = Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Control:
    """What was asked for; ``given`` are the parameters as sent."""

    given: Mapping[str, str]
    count: int
    sort: tuple[Sort, ...]
    total: Literal["none", "accurate"]
    subset: Subset
    includes: tuple[Include, ...]
    included: tuple[tuple[str, str], ...]


def read_control(
    types: Sequence[str],
    params: Sequence[tuple[str, str]],
    includes: Sequence[tuple[str, str]],
    context: Context,
) -> Control:
    """Read the control parameters of a search on ``types``; InvalidInput names what can't be used."""
    issues: list[Issue] = []
    given: dict[str, str] = {}
    for name, value in params:
        if name in given:
            issues += bad(name, "it may be given once").issues
        elif value or name not in _MAY_BE_EMPTY:
            given[name] = value
    read: list[Include] = []
    try:
        if len(includes) > _MOST_INCLUDES:
            raise bad("_include", f"at most {_MOST_INCLUDES} can be asked for")
        read = [read_include(name, value, types) for name, value in includes]
    except ServiceError as error:
        issues += error.issues
    control = _Reading(types, given, context)
    count, total, subset, sort = control.count(), control.total(), control.subset(), control.sort()
    control.alone(bool(includes))
    issues += control.issues
    if issues:
        raise InvalidInput(issues)
    if given.get("_summary") == "count":
        count, total = 0, "accurate"
    return Control(given, count, sort, total, subset, tuple(read), tuple(includes))


def bad(name: str, why: str) -> InvalidInput:
    """The refusal of one parameter."""
    stem = name.partition(":")[0]
    text = f"Search parameter '{name[:64]}': {why}."
    return InvalidInput(Issue(text, place=Place(expression=f"http.{stem[:64]}")))


class _Reading:
    """Each control parameter read; what can't be used is kept in ``issues``."""

    def __init__(self, types: Sequence[str], given: Mapping[str, str], context: Context) -> None:
        self._types = types
        self._given = given
        self._context = context
        self.issues: list[Issue] = []

    def _bad(self, name: str, why: str) -> None:
        self.issues += bad(name, why).issues

    def count(self) -> int:
        text = self._given.get("_count", str(self._context.page_size))
        if not (text.isascii() and text.isdigit() and len(text) < 10):
            self._bad("_count", "it must be a whole number, 0 or more")
            return 0
        return min(int(text), self._context.max_page_size)

    def total(self) -> Literal["none", "accurate"]:
        asked = self._given.get("_total", "accurate")
        if asked not in {"none", "estimate", "accurate"}:
            self._bad("_total", "it must be none, estimate or accurate")
        return "none" if asked == "none" else "accurate"  # counting exactly is an estimate, too

    def subset(self) -> Subset:
        summary = self._given.get("_summary", "")
        try:
            asked = "" if summary == "count" else summary  # which no single resource has
            return subset_of(asked, self._given.get("_elements", ""), others=("count",))
        except ValueError as error:
            self._bad("_summary" if summary else "_elements", f"{error}")
            return Subset()

    def alone(self, includes: bool) -> None:
        if self._given.get("_contained", "false") != "false":
            self._bad("_contained", "contained resources are not searched here; leave it out or say false")
        if "_containedType" in self._given:
            self._bad("_containedType", "contained resources are not searched here; leave it out")
        if includes and self._given.get("_summary") == "text":
            self._bad("_summary", "_summary=text can't be used with _include and _revinclude")

    def sort(self) -> tuple[Sort, ...]:
        text = self._given.get("_sort", "")
        table = table_of(self._types)
        keys = text.split(",") if text else []
        if len(keys) > _MOST_SORTS:
            self._bad("_sort", f"at most {_MOST_SORTS} keys can be used")
            return ()
        sorts: list[Sort] = []
        for key in keys:
            found = table.get(key.removeprefix("-"))
            if found is None or found[0].kind in _UNSORTABLE:
                able = ", ".join(name for name, (one, *_) in table.items() if one.kind not in _UNSORTABLE)
                self._bad("_sort", f"it can be sorted by {able}, a '-' before it for falling order")
                return ()
            indexes = tuple(dict.fromkeys(index for one in found for index in one.indexes))
            sorts.append(Sort(indexes, found[0].kind, key.startswith("-")))
        return tuple(sorts)
