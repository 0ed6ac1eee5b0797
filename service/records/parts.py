"""Which stored resources are parts of which record, and single values in them."""

from collections.abc import Iterator
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from service.fhir.datetimes import interval
from service.records.identity import Names
from service.records.stored import Resource, code_of, extensions

__all__ = [
    "HAS_NO_STATUS",
    "day_of",
    "extension_value",
    "identifiers",
    "in_error",
    "is_own",
    "moment_of",
    "target",
]

_VERIFICATION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"

HAS_NO_STATUS = frozenset({"AdverseEvent"})
"""Types that can't say they were entered in error; parts of a record that are removed are deleted."""


def identifiers(resource: Resource) -> Iterator[tuple[str, str]]:
    """System and value of every business identifier."""
    found = resource.get("identifier", [])
    for one in found if isinstance(found, list) else [found]:
        yield one.get("system", ""), one.get("value", "")


def is_own(resource: Resource, names: Names) -> bool:
    """Whether the resource was made from the record behind ``names``."""
    return any(names.owns(system, value) for system, value in identifiers(resource))


def in_error(resource: Resource) -> bool:
    """Whether the resource says it should not be there."""
    verification = code_of(resource.get("verificationStatus"), _VERIFICATION)
    said = (resource.get("status"), resource.get("lifecycleStatus"), verification)
    return "entered-in-error" in said


def target(element: Resource | None) -> str:
    """The text of a Reference; empty if there is none."""
    return str((element or {}).get("reference", ""))


def extension_value(element: Resource, name: str) -> Any:
    """The value of one of this project's extensions; None if it is not there."""
    one = next(extensions(element, name), {})
    return next((value for key, value in one.items() if key.startswith("value")), None)


def moment_of(text: str, zone: ZoneInfo) -> int:
    """When a FHIR date or time begins, in UTC milliseconds."""
    return interval(text, zone)[0]


def day_of(text: str) -> date | None:
    """The day a FHIR date or time names, in its own offset; None if it names no day."""
    return date.fromisoformat(text[:10]) if len(text) >= len("2026-02-04") else None
