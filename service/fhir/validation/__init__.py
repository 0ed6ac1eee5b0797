"""Whether a resource is valid FHIR R4."""

from service.fhir.validation.resource import check, errors

__all__ = ["check", "errors"]
