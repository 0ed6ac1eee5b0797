"""What a profile adds to the base: its definitions, made in full, compiled, and held against resources."""

from service.fhir.validation.profiles.claims import check_profiles, claimed, profile_checker
from service.fhir.validation.profiles.definitions import Definitions
from service.fhir.validation.profiles.snapshot import DefinitionFault

__all__ = ["DefinitionFault", "Definitions", "check_profiles", "claimed", "profile_checker"]
