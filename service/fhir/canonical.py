"""The names this project gives: one root for its code systems, profiles, extensions and operations."""

__all__ = ["CANONICAL_ROOT", "code_system", "extension", "operation_definition", "profile", "value_set"]

CANONICAL_ROOT = "https://swallow-interop.example.org/fhir"


def code_system(name: str) -> str:
    """URL of one of this project's code systems."""
    return f"{CANONICAL_ROOT}/CodeSystem/{name}"


def extension(name: str) -> str:
    """URL of one of this project's extensions."""
    return f"{CANONICAL_ROOT}/StructureDefinition/{name}"


def profile(name: str) -> str:
    """URL of one of this project's profiles."""
    return f"{CANONICAL_ROOT}/StructureDefinition/{name}"


def operation_definition(name: str) -> str:
    """URL of one of this project's OperationDefinitions."""
    return f"{CANONICAL_ROOT}/OperationDefinition/{name}"


def value_set(name: str) -> str:
    """URL of one of this project's value sets."""
    return f"{CANONICAL_ROOT}/ValueSet/{name}"
