"""Codes of a resource that their own code system does not have, as far as the site can tell.

Warnings of ``$validate`` alone: what is written is judged by what travels with the program, so that no write
waits for another server, and none is refused because a list was loaded.
"""

from collections.abc import Iterator
from typing import Any

from service.errors import Issue, IssueType, Place, Severity
from service.fhir.code_systems import known_code, known_in
from service.fhir.composition import Question
from service.fhir.json import Tree
from service.fhir.three_valued import Holds
from service.interactions.terms import Terms

__all__ = ["code_issues"]

_MOST_SYSTEMS, _MOST_CODES = 20, 100
_ABSENT = "The code system {} has no such code, say the code lists or the terminology server of the site."

Code = tuple[str, str]


async def code_issues(terms: Terms, resource: Tree) -> tuple[Issue, ...]:
    """Answer a warning for each such code; what travels with the program was judged before."""
    places: dict[Code, list[str]] = {}
    for where, system, code in _codes(resource, str(resource.get("resourceType", ""))):
        if known_code(system, code) is None and len(places) < _MOST_CODES:
            places.setdefault((system, code), []).append(where)
    systems = list(dict.fromkeys(system for system, _ in places))[:_MOST_SYSTEMS]
    await terms.find("CodeSystem", *systems)
    open_ = [one for one in places if one[0] in systems and _known(terms, *one) is None]
    for system, code in open_:
        terms.elsewhere.told(Question("has", system, code))
    await terms.elsewhere.ask()
    absent = [one for one in places if one[0] in systems and _said(terms, *one) is False]
    return tuple(_issue(where, one[0]) for one in absent for where in places[one])


def _known(terms: Terms, system: str, code: str) -> Holds:
    return known_in(system, terms.code_system(system), code)


def _said(terms: Terms, system: str, code: str) -> Holds:
    known = _known(terms, system, code)
    return terms.elsewhere.told(Question("has", system, code)) if known is None else known


def _issue(where: str, system: str) -> Issue:
    return Issue(
        _ABSENT.format(system[:200]),
        Severity.WARNING,
        IssueType.CODE_INVALID,
        Place(expression=where),
        system,
    )


def _codes(node: Any, at: str) -> Iterator[tuple[str, str, str]]:
    """Every system with a code, and where the code stands."""
    if isinstance(node, dict):
        system, code = node.get("system"), node.get("code")
        if isinstance(system, str) and isinstance(code, str):
            yield f"{at}.code", system, code
        for name, value in node.items():
            yield from _codes(value, f"{at}.{name}")
    elif isinstance(node, list):
        for place, value in enumerate(node):
            yield from _codes(value, f"{at}[{place}]")
