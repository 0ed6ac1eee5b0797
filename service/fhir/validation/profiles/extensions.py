"""Extensions of guides, wherever they stand: each has a definition of its own (extensibility.html).

Those that R4 itself defines are looked at by the base.
"""

from collections import Counter
from collections.abc import Iterator
from typing import Any, NamedTuple

from service.errors import IssueType
from service.fhir.elements import elements, is_primitive
from service.fhir.fhirpath import Steps, compiled
from service.fhir.json import Tree
from service.fhir.three_valued import Holds, any_of
from service.fhir.validation.extension_context import broken_rules, names_of, own_path
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.definitions import Definitions
from service.fhir.validation.profiles.items import Item
from service.fhir.validation.profiles.occurrence import most_of
from service.fhir.validation.profiles.scope import Scope
from service.fhir.validation.profiles.snapshot import DefinitionFault
from service.fhir.validation.reading import parts, texts

__all__ = ["check_extensions"]

_LISTS = ("extension", "modifierExtension")
_NOT_HERE = "This extension may not stand here, only at: {}."
_IS_MODIFIER = "This extension changes the meaning of its element; it must stand in modifierExtension."
_NO_MODIFIER = "This extension does not change the meaning of its element; it must stand in extension."
_ONCE = "The extension {} may be given {} times at most."


class _Place(NamedTuple):
    """What extensions stand in: ``steps`` is the way to it, ``within`` the url of the extension it is.

    ``value`` is its JSON value and ``extra`` what stands beside a primitive, ``names`` what a definition may
    call it.
    """

    value: Any
    extra: Tree | None
    type: str
    names: frozenset[str]
    steps: Steps
    path: str
    within: str = ""


def check_extensions(resource: Tree, definitions: Definitions) -> list[Fault]:
    """Answer what is wrong with the extensions in a resource whose definitions are known."""
    if not _any_known(resource, definitions.extensions):
        return []
    scope = Scope(resource)
    type_ = str(resource.get("resourceType", ""))
    root = _Place(resource, None, type_, names_of(type_, type_), (), "")
    return [fault for place in _places(root) for fault in _judged(place, scope, definitions)]


def _any_known(resource: Tree, known: frozenset[str]) -> bool:
    """Whether there is anything to be judged; most resources hold no such extension."""
    waiting: list[Any] = [resource]
    while waiting:
        for one in waiting.pop().values():
            kind = type(one)
            if kind is dict:
                waiting.append(one)
            elif kind is list:
                waiting += [item for item in one if type(item) is dict]
            elif kind is str and one in known:
                return True
    return False


def _places(place: _Place) -> Iterator[_Place]:
    """Everything that extensions may stand in."""
    yield place
    node = place.value if isinstance(place.value, dict) else place.extra or {}
    known = elements("Element" if is_primitive(place.type) else place.type)
    for name in dict.fromkeys(name.removeprefix("_") for name in node):
        if element := known.get(name):
            value, beside = node.get(name), node.get(f"_{name}")
            names = names_of(f"{place.type}.{name}", element.type)
            step = _Place(value, None, element.type, names, (*place.steps, name), f"{place.path}.{name}")
            yield from _inner(step, beside, place)


def _inner(step: _Place, beside: Any, around: _Place) -> Iterator[_Place]:
    if not isinstance(step.value, list) and not isinstance(beside, list):
        yield from _one(step, step.value, beside, around)
        return
    values = step.value if isinstance(step.value, list) else []
    extras = beside if isinstance(beside, list) else []
    for number in range(max(len(values), len(extras))):
        at = step._replace(steps=(*step.steps, number), path=f"{step.path}[{number}]")
        yield from _one(at, _at(values, number), _at(extras, number), around)


def _one(step: _Place, value: Any, beside: Any, around: _Place) -> Iterator[_Place]:
    extra = beside if isinstance(beside, dict) else None
    if not isinstance(value, dict) and extra is None:
        return
    place = step._replace(value=value, extra=extra)
    if step.type == "Resource" and isinstance(value, dict):
        type_ = str(value.get("resourceType", ""))
        place = place._replace(type=type_, names=names_of(type_, type_))
    elif step.type == "Extension" and isinstance(value, dict):
        url = str(value.get("url", ""))
        place = place._replace(within=url if ":" in url or not around.within else f"{around.within}#{url}")
    yield from _places(place)


def _at(values: list[Any], number: int) -> Any:
    return values[number] if number < len(values) else None


def _judged(place: _Place, scope: Scope, definitions: Definitions) -> Iterator[Fault]:
    holder = place.value if isinstance(place.value, dict) else place.extra or {}
    for name in _LISTS:
        given = holder.get(name)
        for number, one in enumerate(given if isinstance(given, list) else ()):
            url = one.get("url") if isinstance(one, dict) else None
            if isinstance(url, str) and (definition := _definition(url, definitions)):
                at = f"{place.path}.{name}[{number}]"
                for fault in _standing(definition, one, place, scope, modifier=name != "extension"):
                    yield fault._replace(path=at)
                yield from _content(url, Item(one, None, "Extension", at), scope, definitions)
        yield from _counted(given, f"{place.path}.{name}", definitions)


def _standing(
    definition: Tree, extension: Tree, place: _Place, scope: Scope, *, modifier: bool
) -> Iterator[Fault]:
    """What is wrong with where it stands."""
    url = definition["url"]
    contexts = parts(definition, "context")
    if contexts and any_of(_is(one, place, scope) for one in contexts) is False:
        listed = ", ".join(str(one.get("expression")) for one in contexts)
        yield Fault("", _NOT_HERE.format(listed), IssueType.STRUCTURE, url)
    rules = texts([definition], "contextInvariant")
    yield from broken_rules(rules, place.value, place.type, extension, url)
    if modifier != _changes_meaning(definition):
        yield Fault("", _NO_MODIFIER if modifier else _IS_MODIFIER, IssueType.STRUCTURE, url)


def _is(context: Tree, place: _Place, scope: Scope) -> Holds:
    """Whether a context is this place; None if that can't be told."""
    kind, expression = context.get("type"), str(context.get("expression", ""))
    if kind == "element":
        return None if ":" in expression or "#" in expression else own_path(expression) in place.names
    if kind == "extension":
        return place.within == expression
    if kind == "fhirpath":
        try:
            found = compiled(expression).places(scope.resource)
        except ValueError:
            return None
        return None if found is None else place.steps in found
    return None


def _changes_meaning(definition: Tree) -> bool:
    for view in ("differential", "snapshot"):
        for element in definition.get(view, {}).get("element", ()):
            if element["path"] == "Extension" and "isModifier" in element:
                return element["isModifier"] is True
    return False


def _content(url: str, item: Item, scope: Scope, definitions: Definitions) -> Iterator[Fault]:
    try:
        check = definitions.check(url)
    except DefinitionFault:
        return
    if check is not None:
        yield from check(item, scope)


def _counted(given: Any, path: str, definitions: Definitions) -> Iterator[Fault]:
    for url, count in Counter(_urls(given)).items():
        if count > 1 and _definition(url, definitions):
            try:
                most = most_of(definitions.tree(url))
            except DefinitionFault:
                continue
            if most is not None and count > most:
                yield Fault(path, _ONCE.format(url, most), IssueType.STRUCTURE, url)


def _urls(given: Any) -> list[str]:
    urls = (one.get("url") for one in (given if isinstance(given, list) else ()) if isinstance(one, dict))
    return [url for url in urls if isinstance(url, str)]


def _definition(url: str, definitions: Definitions) -> Tree | None:
    """The definition of an extension, unless the base knows it."""
    return definitions.structure(url) if url in definitions.extensions else None
