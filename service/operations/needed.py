"""Reading out of a stored resource only what goal attainment needs.

Stored text was checked when it came in; here it is read fast: narrative and all that is not named below is
passed over, numbers keep their decimals.
"""

from decimal import Decimal
from typing import Any, TypedDict, cast

import msgspec

__all__ = ["needed"]


class _Coding(TypedDict, total=False):
    system: str
    code: str


class _Concept(TypedDict, total=False):
    coding: list[_Coding]
    text: str


class _Reference(TypedDict, total=False):
    reference: str


class _Quantity(TypedDict, total=False):
    value: Decimal
    comparator: str
    code: str


class _Period(TypedDict, total=False):
    start: str
    end: str


class _Value(TypedDict, total=False):
    valueCodeableConcept: _Concept
    valueQuantity: _Quantity
    valueInteger: int
    valueBoolean: bool
    valueString: str


class _Component(_Value, total=False):
    code: _Concept


class _Extension(TypedDict, total=False):
    url: str
    valueInteger: int
    valuePositiveInt: int
    valueDecimal: Decimal
    valueReference: _Reference
    extension: list["_Extension"]


class _Target(TypedDict, total=False):
    extension: list[_Extension]
    measure: _Concept
    detailQuantity: _Quantity
    detailInteger: int
    dueDate: str


class _Resource(_Value, total=False):
    resourceType: str
    id: str
    status: str
    extension: list[_Extension]
    # Observation
    code: _Concept
    encounter: _Reference
    focus: list[_Reference]
    basedOn: list[_Reference]
    hasMember: list[_Reference]
    effectiveDateTime: str
    effectivePeriod: _Period
    effectiveInstant: str
    dataAbsentReason: _Concept
    component: list[_Component]
    # Goal
    lifecycleStatus: str
    achievementStatus: _Concept
    description: _Concept
    startDate: str
    target: list[_Target]
    statusDate: str
    statusReason: str


_DECODER = msgspec.json.Decoder(_Resource)


def needed(content: bytes) -> dict[str, Any]:
    """The needed elements of a stored Goal, Observation or Encounter."""
    return cast("dict[str, Any]", _DECODER.decode(content))
