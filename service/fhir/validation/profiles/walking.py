"""The way of a discriminator (``code.coding.code``, ``resolve()``) through a definition and a resource."""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, NamedTuple

from service.fhir.validation.profiles.elementary import laid_down
from service.fhir.validation.profiles.items import Item, gatherer, whole
from service.fhir.validation.profiles.nodes import Node
from service.fhir.validation.profiles.scope import Scope
from service.fhir.validation.profiles.snapshot import DefinitionFault, RootOf, child
from service.fhir.validation.profiles.targets import named_type

__all__ = ["UNRESOLVED", "Defined", "Way", "way"]

_STEP = re.compile(
    r"extension\(\s*['\"]([^'\"]+)['\"]\s*\)|resolve\(\)|ofType\(\s*([\w.]+)\s*\)|\$this|[A-Za-z]\w*"
)


class _Unresolved:
    """Stands for a resource that a reference leads to and that is not at hand."""


UNRESOLVED = _Unresolved()


class Defined(NamedTuple):
    """A definition at the end of a way.

    ``laid`` is what a fixed value or pattern further up lays down for it, ``profile`` the canonical it came
    from when the last step led into another profile.
    """

    node: Node
    laid: tuple[Any, ...] = ()
    profile: str = ""

    @property
    def types(self) -> frozenset[str]:
        """The types it allows; the root of a definition is of its own type."""
        return frozenset(self.node.types) or frozenset({self.node.path})


class Way(NamedTuple):
    """``defined`` is what the definition has at its end, if anything; ``go`` finds the values."""

    defined: tuple[Defined, ...]
    go: Callable[[Item, Scope], list[Item]]


def way(path: str, start: Node, root_of: RootOf) -> Way:
    """Walk a discriminator's path from a slice; DefinitionFault if it can't be read."""
    defined: tuple[Defined, ...] = (Defined(start),)
    steps: list[Callable[[Item, Scope], Iterable[Item]]] = []
    for found in _steps(path):
        text, url, type_ = found[0], found[1], found[2]
        if text == "$this":
            continue
        if url:
            defined, step = _extension(defined, url, root_of)
        elif text == "resolve()":
            defined, step = _resolved(defined, root_of)
        elif type_:
            defined, step = _of_type(defined, type_)
        else:
            defined, step = _child(defined, text, root_of)
        steps.append(step)
    return Way(defined, lambda item, scope: _gone(item, scope, steps))


def _steps(path: str) -> list[re.Match[str]]:
    found = list(_STEP.finditer(path))
    if ".".join(one[0] for one in found) != path:
        raise DefinitionFault(f"the discriminator {path} can't be read")
    return found


def _gone(item: Item, scope: Scope, steps: Sequence[Callable[[Item, Scope], Iterable[Item]]]) -> list[Item]:
    items = [item]
    for step in steps:
        items = [found for one in items for found in _one(one, scope, step)]
    return items


def _one(item: Item, scope: Scope, step: Callable[[Item, Scope], Iterable[Item]]) -> Iterable[Item]:
    return (item,) if item.value is UNRESOLVED else step(item, scope)


Led = tuple[tuple[Defined, ...], Callable[[Item, Scope], Iterable[Item]]]


def _child(defined: Sequence[Defined], name: str, root_of: RootOf) -> Led:
    led: list[Defined] = []
    for one in defined:
        extension = _profile(one.node).partition("|")[0] if name == "url" else ""
        node = _url(extension) if extension else child(one.node, name, root_of)
        ends = _required(node) if node is not None else ()
        led += [Defined(end, tuple(_below(one, name)), _profile(end)) for end in ends]
    if not led:
        return (), _nothing
    gather = gatherer(led[0].node)
    return tuple(led), lambda item, _: gather(item)


def _required(node: Node) -> list[Node]:
    """The slices that have to be there, which say more than the element they are slices of."""
    return [one for one in node.slices.values() if one.element.get("min")] or [node]


def _url(extension: str) -> Node:
    """The url of an extension with a definition is its canonical, also where that is not at hand."""
    return Node("url", {"fixedUri": extension}, "Extension.url", ("uri",))


def _extension(defined: Sequence[Defined], url: str, root_of: RootOf) -> Led:
    led: list[Defined] = []
    for one in defined:
        node = child(one.node, "extension", root_of)
        own = [inner for inner in (node.slices.values() if node else ()) if _has_url(inner, url, root_of)]
        led += [Defined(inner, profile=_profile(inner)) for inner in own or ((node,) if node else ())]
    if not led:
        return (), _nothing
    gather = gatherer(led[0].node)

    def step(item: Item, _: Scope) -> Iterator[Item]:
        return (found for found in gather(item) if found.members.get("url") == url)

    return tuple(led), step


def _nothing(*_: Any) -> Iterable[Item]:
    return ()


def _has_url(node: Node, url: str, root_of: RootOf) -> bool:
    if _profile(node).partition("|")[0] == url:
        return True
    inner = child(node, "url", root_of)
    return inner is not None and laid_down(inner) == ("fixed", url)


def _resolved(defined: Sequence[Defined], root_of: RootOf) -> Led:
    led: list[Defined] = []
    for one in defined:
        for type_ in one.node.element.get("type", ()):
            led += [Defined(root_of(target), profile=target) for target in type_.get("targetProfile", ())]
    if not led:
        led = [Defined(root_of("Resource"))]
    return tuple(led), _resolve


def _resolve(item: Item, scope: Scope) -> Iterator[Item]:
    reference = item.value.get("reference") if isinstance(item.value, dict) else item.value
    found = scope.resolve(reference)
    if found is not None:
        yield whole(found, item.path)._replace(path=item.path)
    else:
        yield Item(UNRESOLVED, None, named_type(item, scope), item.path)


def _of_type(defined: Sequence[Defined], type_: str) -> Led:
    name = type_.removeprefix("FHIR.")
    return tuple(defined), lambda item, _: (item,) if item.type == name else ()


def _below(one: Defined, name: str) -> Iterator[Any]:
    """What is laid down for a child by the value laid down for what it is part of."""
    laid = laid_down(one.node)
    for value in (*one.laid, *((laid[1],) if laid else ())):
        for whole_ in value if isinstance(value, list) else (value,):
            inner = whole_.get(name) if isinstance(whole_, dict) else None
            yield from inner if isinstance(inner, list) else () if inner is None else (inner,)


def _profile(node: Node) -> str:
    profiles = [profile for type_ in node.element.get("type", ()) for profile in type_.get("profile", ())]
    return profiles[0] if len(profiles) == 1 else ""
