"""``ConceptMap/$translate``: a code in another code system (FHIR R4 conceptmap-operation-translate.html)."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from service.errors import NotFound
from service.fhir.json import Tree, dump
from service.interactions.terms import Terms
from service.operations.arguments import Arguments
from service.operations.asked_codes import asked_codings, said
from service.operations.parts import Part, group, part, text

__all__ = ["translate"]

_BACKWARDS = {"wider": "narrower", "narrower": "wider", "subsumes": "specializes", "specializes": "subsumes"}
_ASKED = ("url", "conceptMapVersion", "source", "target", "targetsystem", "reverse")
_UNSURE = "relatedto"
_NO_MATCH = frozenset({"unmatched", "disjoint"})


class _Match(NamedTuple):
    equivalence: str
    coding: Tree
    source: str


async def translate(terms: Terms, given: Arguments, id_: str) -> bytes:
    """Answer what a code is in other code systems, by one concept map, or by all that map it.

    ``reverse`` goes from targets to sources. NotFound if the concept map is not known.
    """
    back = said(given, "reverse") == "true"
    codings = asked_codings(given)
    try:
        found = await _found(terms, given, id_, codings, back=back)
    except NotFound:
        if not id_ and (told := await _elsewhere(terms, given, codings)):
            return dump(told)
        raise
    if (
        not found
        and not id_
        and "conceptMap" not in given
        and (told := await _elsewhere(terms, given, codings))
    ):
        return dump(told)
    result = any(match.equivalence not in _NO_MATCH for match in found)
    message = "" if result else "No concept map that was looked at maps this code."
    parameters = [part("result", valueBoolean=result), *text("message", message), *map(_part, found)]
    return dump({"resourceType": "Parameters", "parameter": parameters})


async def _found(
    terms: Terms, given: Arguments, id_: str, codings: Sequence[Tree], *, back: bool
) -> list[_Match]:
    found: list[_Match] = []
    for coding in codings:
        maps = await _maps(terms, given, id_) or await terms.maps_of(coding["code"], back=back)
        found += (match for one in maps for match in _matches(one, coding, given, back=back))
    return found


async def _elsewhere(terms: Terms, given: Arguments, codings: Sequence[Tree]) -> Tree | None:
    """What the site's terminology server maps one of the codes to, None if it maps none."""
    query = [(name, said(given, name)) for name in _ASKED]
    for coding in codings:
        code = ("system", coding.get("system", "")), ("code", coding["code"])
        told = await terms.elsewhere.parameters("ConceptMap/$translate", *query, *code)
        if told and {"name": "result", "valueBoolean": True} in told["parameter"]:
            return {"resourceType": "Parameters", "parameter": told["parameter"]}
    return None


async def _maps(terms: Terms, given: Arguments, id_: str) -> Sequence[Tree]:
    """The concept map that is named, none if none is."""
    if id_:
        return [await terms.by_id("ConceptMap", id_)]
    if "conceptMap" in given:
        return given["conceptMap"]
    if "url" not in given:
        return []
    version = said(given, "conceptMapVersion")
    address = f"{said(given, 'url')}|{version}" if version else said(given, "url")
    await terms.find("ConceptMap", address)
    if (found := terms.concept_map(address)) is None:
        raise NotFound("The concept map of this url (and version) is not known here.", expression="http.url")
    return [found]


def _matches(tree: Tree, coding: Tree, given: Arguments, *, back: bool) -> Iterator[_Match]:
    if not _fits(tree, given, back=back):
        return
    source = tree.get("url", "")
    here, there = ("target", "source") if back else ("source", "target")
    for one in tree.get("group", ()):
        mine, other = one.get(here, ""), one.get(there, "")
        if coding.get("system", "") in {"", mine} and said(given, "targetsystem") in {"", other}:
            found = _backwards(one, coding["code"]) if back else _forwards(one, coding["code"])
            for equivalence, code, display in found:
                shown = {"display": display} if display else {}
                system = {"system": other} if other else {}
                yield _Match(equivalence, {**system, "code": code, **shown}, source)


def _fits(tree: Tree, given: Arguments, *, back: bool) -> bool:
    """Whether ``source`` and ``target`` are the value sets of the map, where both sides name one."""
    names = ("target", "source") if back else ("source", "target")
    for asked, side in zip(("source", "target"), names, strict=True):
        said_of_map = {tree[key] for key in (f"{side}Uri", f"{side}Canonical") if key in tree}
        if asked in given and said_of_map and said(given, asked) not in said_of_map:
            return False
    return True


Row = tuple[str, str, str]


def _forwards(one: Tree, code: str) -> Iterator[Row]:
    """Equivalence, code and display of each target, else what the map says of codes it does not map."""
    elements = [element for element in one.get("element", ()) if element.get("code") == code]
    for element in elements:
        for target in element.get("target", ()):
            said_of = target.get("equivalence", _UNSURE)
            if "code" in target or said_of in _NO_MATCH:
                yield said_of, target.get("code", ""), target.get("display", "")
    unmapped = {} if elements else one.get("unmapped", {})
    if unmapped.get("mode") == "provided":
        yield "equal", code, ""
    elif unmapped.get("mode") == "fixed" and "code" in unmapped:
        yield "inexact", unmapped["code"], unmapped.get("display", "")


def _backwards(one: Tree, code: str) -> Iterator[Row]:
    for element in one.get("element", ()):
        for target in element.get("target", ()):
            if target.get("code") == code and "code" in element:
                said_of = target.get("equivalence", _UNSURE)
                equivalence = _BACKWARDS.get(said_of, said_of)
                yield equivalence, element["code"], element.get("display", "")


def _part(match: _Match) -> Part:
    """An unmatched target has no code, and so no concept."""
    parts = [part("equivalence", valueCode=match.equivalence)]
    if match.coding["code"]:
        parts.append(part("concept", valueCoding=match.coding))
    if match.source:
        parts.append(part("source", valueUri=match.source))
    return group("match", parts)
