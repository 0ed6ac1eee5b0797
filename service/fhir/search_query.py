"""What a search asks for, read and ready for a store."""

from dataclasses import dataclass
from typing import Literal

from service.fhir.search_parameters import Kind

__all__ = [
    "AnyOf",
    "Chain",
    "Clause",
    "Condition",
    "DateValue",
    "Has",
    "Linked",
    "Modifier",
    "Not",
    "NumberValue",
    "OfPatient",
    "OfType",
    "Prefix",
    "QuantityValue",
    "ReferenceValue",
    "Sort",
    "StringValue",
    "Together",
    "TokenValue",
    "UriValue",
    "Value",
]

Prefix = Literal["eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"]
Modifier = Literal["", "not", "text", "exact", "contains", "above", "below", "missing"]


@dataclass(frozen=True, slots=True)
class TokenValue:
    """A token asked for: ``system`` None where any will do, ``code`` None where any of the system will do."""

    system: str | None
    code: str | None


@dataclass(frozen=True, slots=True)
class ReferenceValue:
    """A reference asked for; any of ``targets`` will do (an id alone may be of several types)."""

    targets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DateValue:
    """A date asked for, as interval [low, high), and how it is compared; ``ap`` has the widened interval."""

    prefix: Prefix
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class NumberValue:
    """A number asked for: [low, high) is what its digits leave open (100: 99.5 to 100.5), ``exact`` itself.

    For ``ap`` the interval is widened to a tenth of the number.
    """

    prefix: Prefix
    low: float
    high: float
    exact: float


@dataclass(frozen=True, slots=True)
class QuantityValue:
    """A quantity asked for: a number in a unit. ``system`` None where any will do, ``code`` empty too.

    ``canonical`` is the same in UCUM base units (number and their code) where it can be converted.
    """

    number: NumberValue
    system: str | None = None
    code: str = ""
    canonical: "tuple[NumberValue, str] | None" = None


@dataclass(frozen=True, slots=True)
class StringValue:
    """A string asked for: folded like the keys, or as written for ``:exact``."""

    value: str


@dataclass(frozen=True, slots=True)
class UriValue:
    """A URI asked for, as written."""

    value: str


Value = (
    TokenValue
    | ReferenceValue
    | DateValue
    | NumberValue
    | QuantityValue
    | StringValue
    | UriValue
    | str
    | bool
)


@dataclass(frozen=True, slots=True)
class Clause:
    """One parsed search parameter: any of ``values`` may hold, under any of ``indexes``.

    ``values`` are of the class that belongs to ``kind``; for ``id`` they are strings, for ``updated`` dates,
    for ``:missing`` one boolean. ``wide`` is whether its keys are filed for searches that name no patient,
    None if some are and some not.
    ``:missing`` counts only references to ``targets`` where there are any.
    """

    indexes: tuple[str, ...]
    kind: Kind
    values: tuple[Value, ...]
    modifier: Modifier = ""
    wide: bool | None = False
    targets: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Together:
    """A composite: both clauses of any of ``pairs`` hold for the same part of the resource."""

    pairs: tuple[tuple[Clause, Clause], ...]


@dataclass(frozen=True, slots=True)
class Linked:
    """A resource at the other end of a reference: its type, and what holds for it."""

    type: str
    condition: "Condition"


@dataclass(frozen=True, slots=True)
class Chain:
    """The resource refers, under any of ``indexes``, to one of which any of ``ends`` holds."""

    indexes: tuple[str, ...]
    ends: tuple[Linked, ...]


@dataclass(frozen=True, slots=True)
class Has:
    """A resource ``by`` which this one is referred to, under any of ``indexes``, exists."""

    indexes: tuple[str, ...]
    by: Linked


@dataclass(frozen=True, slots=True)
class AnyOf:
    """All conditions of any of ``ways`` hold; of no way none does."""

    ways: "tuple[tuple[Condition, ...], ...]"


@dataclass(frozen=True, slots=True)
class Not:
    """The condition does not hold."""

    condition: "Condition"


@dataclass(frozen=True, slots=True)
class OfPatient:
    """The resource is about the one patient that any of ``ends`` is about (a Patient is about itself)."""

    ends: tuple[Linked, ...]


@dataclass(frozen=True, slots=True)
class OfType:
    """The resource is of one of the types."""

    types: tuple[str, ...]


Condition = Clause | Together | Chain | Has | AnyOf | Not | OfPatient | OfType


@dataclass(frozen=True, slots=True)
class Sort:
    """One key of ``_sort``: ``_id``, ``_lastUpdated``, or the indexes of a parameter of ``kind``."""

    indexes: tuple[str, ...]
    kind: Kind
    descending: bool = False
