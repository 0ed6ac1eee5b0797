"""``ValueSet/$expand``: the codes of a value set (FHIR R4 valueset-operation-expand.html)."""

from collections.abc import Iterable
from typing import Any

from service.errors import NotKnownHere, TooManyCodes
from service.fhir.code_systems import in_language
from service.fhir.composition import Composition, Member
from service.fhir.datetimes import instant, milliseconds
from service.fhir.json import Tree, dump
from service.interactions.aside import aside
from service.interactions.context import Context
from service.interactions.terms import Terms
from service.operations.arguments import Arguments
from service.operations.asked_codes import asked_value_set, said, whole_number

__all__ = ["expand"]

_MOST = 10_000  # codes in one answer
_UNCLOSED = "http://hl7.org/fhir/StructureDefinition/valueset-unclosed"
_TYPES = {"offset": "Integer", "count": "Integer", "filter": "String", "displayLanguage": "Code"}
_FLAGS = (
    *("includeDesignations", "includeDefinition", "activeOnly"),
    *("excludeNested", "excludeNotForUI", "excludePostCoordinated"),
)


async def expand(terms: Terms, given: Arguments, id_: str, *, context: Context) -> bytes:
    """Answer the value set with its expansion: flat, in the order of its definition, abstract codes left out.

    NotKnownHere if it draws on a code system that is not here, TooManyCodes if it is too large.
    """
    tree = await asked_value_set(terms, given, id_, elsewhere="fetch")
    try:
        return dump(await aside(_expanded, tree, terms, given, context))
    except NotKnownHere:
        whole = await _elsewhere(tree, terms, sent="valueSet" in given)
        if whole is None:
            raise
        return dump(await aside(_expanded, whole, terms, given, context))


async def _elsewhere(tree: Tree, terms: Terms, *, sent: bool) -> Tree | None:
    """The value set with what the site's terminology server knows of it, None if that is nothing.

    ``sent``: the caller's own, so that nobody else knows it.
    """
    version = tree.get("version", "")
    address = f"{tree['url']}|{version}" if version else str(tree.get("url", ""))
    compose = tree.get("compose", {})
    parts = (*compose.get("include", ()), *compose.get("exclude", ()))
    named = [one for part in parts for one in part.get("valueSet", ()) if one is not None]
    unknown = [one for one in named if terms.value_set(one) is None]
    known = await terms.elsewhere.fetch([*unknown, *([address] if address and not sent else ())])
    return (terms.elsewhere.value_set(address) or tree) if known else None


def _expanded(tree: Tree, terms: Terms, given: Arguments, context: Context) -> Tree:
    composition = Composition(terms, words=_words(given))
    listed = composition.members(tree)
    if listed is None:
        raise _unlisted(composition)
    found = [one for one in listed.values() if _wanted(one, given)]
    start, most = whole_number(given, "offset") or 0, whole_number(given, "count")
    if most is None and len(found) - start > _MOST:
        raise TooManyCodes(f"There are {len(found)} codes; page them with 'offset' and 'count'.")
    page = found[start:] if most is None else found[start : start + most]
    expansion: Tree = {} if composition.closed(tree) else _unclosed()
    expansion |= {
        "identifier": f"urn:uuid:{context.new_id()}",
        "timestamp": instant(milliseconds(context.clock())),
    }
    expansion |= {"total": len(found), "offset": start}
    parts = {
        "parameter": _parameters(given, found, terms),
        "contains": [_contained(one, given) for one in page],
    }
    expansion |= {name: listed for name, listed in parts.items() if listed}
    left_out = {"text", "expansion"} | (set() if _on(given, "includeDefinition") else {"compose"})
    return {name: value for name, value in tree.items() if name not in left_out} | {"expansion": expansion}


def _unlisted(composition: Composition) -> NotKnownHere | TooManyCodes:
    if composition.missing:
        names = ", ".join(one[:200] for one in composition.missing)
        return NotKnownHere(
            f"The value set can't be expanded: it needs the content of {names}, which is not here."
        )
    return TooManyCodes(
        "The value set can't be listed: its codes are told by a rule that can't be written out."
    )


def _unclosed() -> Tree:
    return {"extension": [{"url": _UNCLOSED, "valueBoolean": True}]}


def _wanted(member: Member, given: Arguments) -> bool:
    """Every word of the filter stands in the code or the display, in any case."""
    text = f"{member.code} {member.display}".casefold()
    active = member.concept is None or member.concept.active
    plain = {one.partition("|")[0] for one in given.get("exclude-system", ())}
    return (
        all(word in text for word in _words(given))
        and (active or not _on(given, "activeOnly"))
        and member.system not in plain
    )


def _words(given: Arguments) -> list[str]:
    return said(given, "filter").casefold().split()


def _on(given: Arguments, name: str) -> bool:
    return said(given, name) == "true"


def _parameters(given: Arguments, found: Iterable[Member], terms: Terms) -> list[Tree]:
    """What the expansion was made with: the parameters given, and the code systems in their versions."""
    parameters: list[Tree] = [
        {"name": name, f"value{type_}": int(said(given, name)) if type_ == "Integer" else said(given, name)}
        for name, type_ in _TYPES.items()
        if name in given
    ]
    parameters += [{"name": name, "valueBoolean": _on(given, name)} for name in _FLAGS if name in given]
    parameters += [{"name": "exclude-system", "valueUri": one} for one in given.get("exclude-system", ())]
    for url in dict.fromkeys(one.system for one in found):
        system = terms.code_system(url)
        version = system.tree.get("version") if system and not system.supplement else None
        if version:
            parameters.append({"name": "version", "valueUri": f"{url}|{version}"})
    return parameters


def _contained(member: Member, given: Arguments) -> Tree:
    node: dict[str, Any] = {"system": member.system} if member.system else {}
    if member.concept is not None and not member.concept.active:
        node["inactive"] = True
    node["code"] = member.code
    language = said(given, "displayLanguage")
    designations = [*member.listed.get("designation", ())]
    designations += member.concept.tree.get("designation", ()) if member.concept else ()
    if display := in_language(designations, language) or member.display:
        node["display"] = display
    if designations and _on(given, "includeDesignations"):
        node["designation"] = designations
    return node
