"""Looking into stored FHIR resources by the project's own codes, without trusting that anything is there."""

from collections.abc import Iterator
from typing import Any

from service.fhir.canonical import extension
from service.terminology.codes import EXERCISE, OBSERVATION, VALUE

__all__ = ["NOT_FINAL", "OWN", "Resource", "code_of", "component", "extensions", "reference_to", "value_code"]

Resource = dict[str, Any]
"""A parsed FHIR resource or element."""

OWN = (OBSERVATION, VALUE, EXERCISE)
"""The project's own code systems."""

NOT_FINAL = frozenset({"registered", "preliminary"})
"""What an Observation says that is not final (FHIR R4, observation-status)."""


def reference_to(resource: Resource) -> str:
    """``Type/id`` of a stored resource."""
    return f"{resource['resourceType']}/{resource['id']}"


def code_of(concept: Any, *systems: str) -> str:
    """The first code of a CodeableConcept in one of ``systems`` (default: the project's own), else empty."""
    for coding in (concept or {}).get("coding", ()):
        if coding.get("system") in (systems or OWN):
            return str(coding.get("code", ""))
    return ""


def component(observation: Resource, code: str) -> Resource:
    """The first component with this own code; empty if there is none."""
    return next((part for part in observation.get("component", ()) if code_of(part.get("code")) == code), {})


def value_code(element: Resource, *systems: str) -> str:
    """The code of ``valueCodeableConcept``, else empty."""
    return code_of(element.get("valueCodeableConcept"), *systems)


def extensions(element: Resource, name: str) -> Iterator[Resource]:
    """The element's extensions of the project with this name."""
    url = extension(name)
    return (part for part in element.get("extension", ()) if part.get("url") == url)
