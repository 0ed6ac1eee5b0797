"""What the guide's pages show: our profiles and extensions, the codes that are sent, the errors."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.errors import ServiceError
from service.fhir.canonical import CANONICAL_ROOT
from service.fhir.composition import Composition, Member
from service.fhir.json import Tree, reread
from service.fhir.terminology_files import own, own_by_url
from service.fhir.validation.profiles.base_types import own_profiles
from service.fhir.validation.profiles.nodes import Node, flat
from service.fhir.validation.profiles.values import shown
from service.fhir.value_sets import SHIPPED
from service.interactions.context import shipped_definitions
from service.shipped import shipped
from service.terminology.codes import CodeRow, codes

__all__ = [
    "MARKS",
    "ElementRow",
    "ErrorRow",
    "GuidePart",
    "code_rows",
    "element_rows",
    "error_rows",
    "example",
    "own_value_set",
    "parts",
    "value_set",
    "value_sets",
]

_LAID_DOWN = {"fixed": "exactly ", "pattern": "at least ", "minValue": "from ", "maxValue": "up to "}
MARKS = {
    "S": "read in a published standard",
    "P": "read in other public material",
    "local": "our own, with a definition",
}


@dataclass(frozen=True, slots=True)
class GuidePart:
    """A profile or extension, as the index lists it."""

    id: str
    title: str
    type: str
    description: str


@dataclass(frozen=True, slots=True)
class ElementRow:
    """What a profile says of one element; an empty text is what it leaves as it was.

    ``number`` is how often it may stand, whoever says so. ``binding`` is its strength and value set.
    """

    name: str
    number: str
    types: str
    binding: tuple[str, str]
    rules: tuple[str, ...]
    supported: bool


@dataclass(frozen=True, slots=True)
class ErrorRow:
    """One kind of refusal."""

    status: int
    code: str
    meaning: str


def parts(*, extensions: bool) -> list[GuidePart]:
    """Answer the profiles, or the extensions, by title."""
    found = [one for one in own_profiles().values() if (one["type"] == "Extension") == extensions]
    made = (GuidePart(one["id"], one["title"], one["type"], one["description"]) for one in found)
    return sorted(made, key=lambda part: part.title)


def element_rows(definition: Tree) -> list[ElementRow]:
    """Answer the elements a definition says something about, in its order."""
    whole = dict(flat(shipped_definitions().tree(definition["url"])))
    return [_row(element, whole.get(element["id"])) for element in definition["differential"]["element"][1:]]


def code_rows() -> dict[str, list[CodeRow]]:
    """Answer every code that is sent, by system."""
    found: dict[str, list[CodeRow]] = {}
    for row in sorted(codes("all").rows(), key=lambda row: (row.system, row.code)):
        found.setdefault(row.system, []).append(row)
    return found


def own_value_set(url: str) -> str:
    """The id of a value set of ours, empty for one of others."""
    return own_by_url("ValueSet").get(url, "")


def value_sets() -> list[Tree]:
    """Answer our value sets, by title."""
    return sorted(map(reread, own("ValueSet").values()), key=lambda tree: str(tree["title"]))


def value_set(id_: str) -> tuple[Tree, list[Member]] | None:
    """Answer a value set of ours with its codes, None if there is none of this id."""
    if id_ not in own("ValueSet"):
        return None
    tree = reread(own("ValueSet")[id_])
    return tree, [*(Composition(SHIPPED).members(tree) or {}).values()]


def example(id_: str) -> str:
    """The example of a profile or extension as indented JSON, empty if the invented visits have none."""
    path = shipped("examples", "fhir", f"{id_}.json")
    return path.read_text("utf-8") if path.is_file() else ""


def error_rows() -> list[ErrorRow]:
    """Answer every kind of refusal, by status."""
    found = (ErrorRow(one.status, one.code.value, (one.__doc__ or "").split("\n")[0]) for one in _errors())
    return sorted(found, key=lambda row: (row.status, row.meaning))


def _errors(root: type[ServiceError] = ServiceError) -> Iterator[type[ServiceError]]:
    yield root
    for inner in root.__subclasses__():
        yield from _errors(inner)


def _row(element: Mapping[str, Any], whole: Node | None) -> ElementRow:
    name = element["id"].partition(".")[2]
    in_full = {**(whole.element if whole else {}), **element}
    number = f"{in_full.get('min', '')}..{in_full.get('max', '')}"
    types = ", ".join(_type(one) for one in element.get("type", ()))
    bound = element.get("binding")
    binding = (bound["strength"], bound["valueSet"]) if bound else ("", "")
    return ElementRow(name, number, types, binding, tuple(_rules(element)), element.get("mustSupport", False))


def _type(type_: Mapping[str, Any]) -> str:
    names = [*type_.get("profile", ()), *type_.get("targetProfile", ())]
    code: str = type_["code"]
    return f"{code} ({' or '.join(name.rpartition('/')[2] for name in names)})" if names else code


def _rules(element: Mapping[str, Any]) -> Iterator[str]:
    if short := element.get("short"):
        yield short
    for key, value in element.items():
        for kind, word in _LAID_DOWN.items():
            if key.startswith(kind):
                yield word + shown(value).replace(f"{CANONICAL_ROOT}/CodeSystem/", "")
    if slicing := element.get("slicing"):
        told = ", ".join(f"{one['type']} of {one['path']}" for one in slicing["discriminator"])
        yield f"slices by {told}; {slicing['rules']}"
