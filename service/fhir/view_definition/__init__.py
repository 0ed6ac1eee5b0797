"""Flat tables over FHIR resources, as SQL on FHIR 2 defines them (ViewDefinition).

A definition is read and compiled once into functions; a view then makes rows of one resource after another
and knows nothing of where they come from or go to.
"""

from service.fhir.view_definition.definition import Column, Definition
from service.fhir.view_definition.view import Row, View

__all__ = ["Column", "Definition", "Row", "View"]
