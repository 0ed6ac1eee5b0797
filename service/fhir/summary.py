"""Parts of a resource: ``_summary`` and ``_elements`` (FHIR R4 search.html, Summary and Elements).

A part carries the tag SUBSETTED, so that nobody takes it for the whole and writes it back.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, cast, get_args

from service.fhir.elements import Element, elements
from service.fhir.json import Tree, dump, reread

__all__ = ["Subset", "is_subset", "part", "subset_of"]

Mode = Literal["true", "text", "data", "false"]

_TAG = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
    "code": "SUBSETTED",
    "display": "subsetted",
}
_ALWAYS = frozenset({"resourceType", "id", "meta"})


@dataclass(frozen=True, slots=True)
class Subset:
    """What of a resource is wanted: a ``_summary`` mode, or the ``_elements`` of that name at the top."""

    mode: Mode = "false"
    names: tuple[str, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether everything is wanted."""
        return self.mode == "false" and not self.names


def subset_of(summary: str, names: str, *, others: Sequence[str] = ()) -> Subset:
    """Read the two parameters, empty where not given; ValueError, with a sentence, if they can't be used.

    ``others`` are modes that the caller knows besides and does not ask about.
    """
    if summary and summary not in get_args(Mode):
        raise ValueError(f"_summary must be one of {', '.join((*others, *get_args(Mode)))}")
    wanted = tuple(name.strip() for name in names.split(",") if name.strip())
    if names and not wanted:
        raise ValueError("_elements must name at least one element")
    if wanted and summary not in {"", "false"}:
        raise ValueError("_summary and _elements can't be used together")
    return Subset(cast("Mode", summary or "false"), wanted)


def part(content: bytes, subset: Subset) -> bytes:
    """Answer the part of a resource's text that is wanted, tagged SUBSETTED; all of it as it is."""
    if subset.whole:
        return content
    tree = reread(content)
    type_ = tree["resourceType"]
    keep = _rule(type_, subset)
    chosen = _chosen(tree, type_, keep, deep=subset.mode == "true")
    meta = chosen.get("meta", {})
    return dump(chosen | {"meta": {**meta, "tag": [*meta.get("tag", ()), _TAG]}})


def is_subset(tree: Tree) -> bool:
    """Whether a resource says of itself that it is a part only."""
    tags = tree.get("meta", {}).get("tag", ())
    return any((tag.get("system"), tag.get("code")) == (_TAG["system"], _TAG["code"]) for tag in tags)


def _rule(type_: str, subset: Subset) -> Callable[[Element], bool]:
    """Which elements at the top stay: mandatory and modifying ones always do."""
    match subset.mode:
        case "true":
            return lambda element: element.summary or element.modifier
        case "data":
            return lambda element: element.name != "text"
        case "text":
            return lambda element: element.name == "text" or element.least > 0 or element.modifier
    names = {name.removeprefix(f"{type_}.").removesuffix("[x]") for name in subset.names}
    return lambda element: (
        element.name in names or element.choice in names or element.least > 0 or element.modifier
    )


def _chosen(tree: Tree, type_: str, keep: Callable[[Element], bool], *, deep: bool) -> Tree:
    known = elements(type_)
    found: dict[str, Any] = {}
    for name, value in tree.items():
        element = known.get(name.removeprefix("_"))
        if name in _ALWAYS or element is None:  # an element nobody knows is not ours to drop
            found[name] = value
        elif keep(element):
            found[name] = _inner(value, element, keep) if deep and element.kind == "parts" else value
    return found


def _inner(value: Any, element: Element, keep: Callable[[Element], bool]) -> Any:
    """A summary goes on inside; what has no summary elements of its own (an extension) stays whole."""
    if isinstance(value, list):
        return [_inner(one, element, keep) for one in value]
    if not isinstance(value, dict) or not any(one.summary for one in elements(element.type).values()):
        return value
    return _chosen(value, element.type, keep, deep=True) or value
