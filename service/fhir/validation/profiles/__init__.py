"""What a profile adds to the base: its definitions, made in full, compiled, and held against resources."""

from service.fhir.validation.profiles.claims import check_profiles, claimed, profile_checker
from service.fhir.validation.profiles.definitions import Definitions
from service.fhir.validation.profiles.extensions import check_extensions
from service.fhir.validation.profiles.must_support import absent_must_support
from service.fhir.validation.profiles.snapshot import DefinitionFault

__all__ = [
    "DefinitionFault",
    "Definitions",
    "absent_must_support",
    "check_extensions",
    "check_profiles",
    "claimed",
    "profile_checker",
]
