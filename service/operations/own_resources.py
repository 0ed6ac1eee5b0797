"""Resources of our own that travel with the program, read like stored ones."""

from service.fhir.json import dump, reread
from service.fhir.terminology_files import OWN_TYPES, own
from service.operations.arguments import definition_text, definitions
from service.operations.measures import measure_ids, measure_text
from service.terminology.licensed import Licence, licensed

__all__ = ["is_own", "own_resource"]


def is_own(type_: str, id_: str) -> bool:
    """Whether a resource of this name travels with the program; nobody can write it."""
    if type_ == "OperationDefinition":
        return id_ in definitions()
    if type_ == "Measure":
        return id_ in measure_ids()
    return type_ in OWN_TYPES and id_ in own(type_)


def own_resource(type_: str, id_: str, licence: Licence) -> bytes:
    """Answer its text, as far as the operator's licence of SNOMED CT allows; KeyError if there is none."""
    if type_ == "OperationDefinition":
        return definition_text(id_)
    if type_ == "Measure":
        return measure_text(id_)
    return dump(licensed(reread(own(type_)[id_]), licence))
