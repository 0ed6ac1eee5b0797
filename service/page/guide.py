"""What the guide's pages show: our profiles and extensions, the codes that are sent, the errors."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.errors import ServiceError
from service.fhir.canonical import CANONICAL_ROOT
from service.fhir.json import Tree
from service.fhir.validation.profiles.base_types import own_profiles
from service.fhir.validation.profiles.values import shown
from service.terminology.codes import CodeRow, codes

__all__ = ["MARKS", "ElementRow", "ErrorRow", "GuidePart", "code_rows", "element_rows", "error_rows", "parts"]

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
    """What a profile says of one element; an empty text is what it leaves as it was."""

    name: str
    number: str
    types: str
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
    return [_row(element) for element in definition["differential"]["element"][1:]]


def code_rows() -> list[CodeRow]:
    """Answer every code that is sent, by system."""
    return sorted(codes("all").rows(), key=lambda row: (row.system, row.code))


def error_rows() -> list[ErrorRow]:
    """Answer every kind of refusal, by status."""
    found = (ErrorRow(one.status, one.code.value, (one.__doc__ or "").split("\n")[0]) for one in _errors())
    return sorted(found, key=lambda row: (row.status, row.meaning))


def _errors(root: type[ServiceError] = ServiceError) -> Iterator[type[ServiceError]]:
    yield root
    for inner in root.__subclasses__():
        yield from _errors(inner)


def _row(element: Mapping[str, Any]) -> ElementRow:
    name = element["id"].partition(".")[2]
    least, most = element.get("min"), element.get("max")
    number = "" if least is None and most is None else f"{'' if least is None else least}..{most or ''}"
    types = ", ".join(_type(one) for one in element.get("type", ()))
    return ElementRow(name, number, types, tuple(_rules(element)), element.get("mustSupport", False))


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
    if bound := element.get("binding"):
        yield f"{bound['strength']}: {bound['valueSet'].removeprefix(f'{CANONICAL_ROOT}/')}"
    if slicing := element.get("slicing"):
        told = ", ".join(f"{one['type']} of {one['path']}" for one in slicing["discriminator"])
        yield f"slices by {told}; {slicing['rules']}"
