"""``Observation/$lastn``: the newest Observations of each code (FHIR R4 observation-operation-lastn.html)."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from urllib.parse import urlencode

from service.errors import InvalidInput, Issue, IssueType, Place
from service.fhir.bundle import Item, bundle
from service.fhir.datetimes import EARLIEST
from service.fhir.json import Tree, reread
from service.fhir.search_clauses import parse_clauses
from service.fhir.search_keys import extract
from service.fhir.search_parameters import parameters
from service.interactions.context import Context
from service.interactions.matching import reader
from service.store.contract import Query, Store, Version
from service.store.pages import every

__all__ = ["lastn"]

_WHOSE = frozenset({"patient", "subject"})
_PAGE = 500


@dataclass(slots=True)
class _Group:
    """The Observations of one code: each with its moment."""

    name: str
    members: list[tuple[int, Version]] = field(default_factory=list)

    def newest(self, count: int) -> list[Version]:
        """The newest, as many as asked for; those of the same moment as the last of them count with it."""
        ordered = sorted(self.members, key=lambda member: -member[0])
        last = ordered[min(count, len(ordered)) - 1][0]
        return [version for moment, version in ordered if moment >= last]


async def lastn(
    store: Store, params: Sequence[tuple[str, str]], count: int, *, address: str, context: Context
) -> bytes:
    """Answer a searchset: of each code the ``count`` newest Observations that ``params``, a search, find.

    The search must name a patient or subject. Two Observations are of one code if they share a coding; where
    there is none, the same text.
    """
    context.allow("s", "Observation")
    if not any(name.partition(":")[0] in _WHOSE for name, _ in params):
        text = "Name the patient (or subject) whose Observations are asked for."
        raise InvalidInput(Issue(text, code=IssueType.REQUIRED, place=Place(expression="http.patient")))
    asked = parse_clauses("Observation", params, reader=reader(context), lenient=context.lenient)
    groups: list[_Group] = []
    by_name: dict[str, _Group] = {}
    async for version in every(store, Query("Observation", asked.clauses, count=_PAGE, total="none")):
        tree = reread(version.content)
        _group(tree, groups, by_name).members.append((_moment(tree, context), version))
    found = [one for group in sorted(groups, key=lambda one: one.name) for one in group.newest(count)]
    items = [
        Item(f"{context.base}/Observation/{one.id}", one.content, {"search": {"mode": "match"}})
        for one in found
    ]
    link = f"{address}?{urlencode([*asked.used, ('max', count)], safe=':,|/')}"
    return bundle("searchset", items, total=len(items), links=[("self", link)])


def _group(tree: Tree, groups: list[_Group], by_name: dict[str, _Group]) -> _Group:
    """The group of an Observation's code, a new one if none of its names is known."""
    names = list(_names(tree.get("code", {})))
    group = next((by_name[name] for name in names if name in by_name), None)
    if group is None:
        group = _Group(names[0])
        groups.append(group)
    for name in names:
        by_name.setdefault(name, group)
    return group


def _names(code: Tree) -> Iterator[str]:
    codings = [one for one in code.get("coding", ()) if one.get("code")]
    for coding in codings:
        yield f"{coding.get('system', '')}|{coding['code']}"
    if not codings:
        yield f"|{code.get('text', '')}"


def _moment(tree: Tree, context: Context) -> int:
    """When it was observed (its beginning), UTC milliseconds; long ago if it does not say."""
    keys = extract(tree, zone=context.zone, base=context.base)
    indexes = parameters("Observation")["date"].indexes
    return max((key.low for key in keys.dates if key.name in indexes), default=EARLIEST)
