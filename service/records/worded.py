"""The same views with the words a person reads, as the page needs them (``views.py`` has the codes alone)."""

from collections.abc import Mapping
from functools import lru_cache

from service.records.views import (
    Coding,
    Component,
    Concept,
    Element,
    Extended,
    Observation,
    Parts,
    Quantity,
    read_components,
    read_concept,
)

__all__ = ["WordedComponent", "WordedConcept", "WordedCondition", "WordedObservation", "WordedRequest"]


class WordedCoding(Coding, frozen=True):
    """A code of a system with its meaning."""

    display: str = ""


class WordedConcept(Concept, frozen=True):
    """A CodeableConcept."""

    coding: tuple[WordedCoding, ...] = ()
    text: str = ""

    @property
    def words(self) -> str:
        """Its text, else its last coding's display or code (the own coding comes last)."""
        last = self.coding[-1] if self.coding else WordedCoding()
        return self.text or last.display or last.code


@lru_cache(maxsize=4096)
def _worded(text: bytes) -> WordedConcept:
    return read_concept(WordedConcept, text)


class WordedComponent(Component, frozen=True):
    """A component of an Observation."""

    @property
    def code(self) -> WordedConcept:
        """What it is."""
        return _worded(bytes(self.code_text))

    @property
    def value_codeable_concept(self) -> WordedConcept:
        """The value."""
        return _worded(bytes(self.concept_text))


@lru_cache(maxsize=1024)
def _parts(text: bytes) -> Mapping[str, WordedComponent]:
    return Parts(WordedComponent, text)


class WordedObservation(Observation, frozen=True):
    """An Observation."""

    @property
    def code(self) -> WordedConcept:
        """What it is."""
        return _worded(bytes(self.code_text))

    @property
    def component(self) -> tuple[WordedComponent, ...]:
        """Its components."""
        return read_components(WordedComponent, bytes(self.component_text))

    @property
    def parts(self) -> Mapping[str, WordedComponent]:
        """The first component with each own code; an empty one for a code that none has."""
        return _parts(bytes(self.component_text))

    def part(self, code: str) -> WordedComponent:
        """The first component with this own code; an empty one if there is none."""
        return self.parts[code]

    @property
    def value_codeable_concept(self) -> WordedConcept:
        """The value."""
        return _worded(bytes(self.concept_text))


class WordedCondition(Element, frozen=True):
    """A Condition."""

    code: WordedConcept = WordedConcept()
    clinical_status: Concept = Concept()
    verification_status: Concept = Concept()
    recorded_date: str = ""


class Repeat(Element, frozen=True):
    """How often, of a Timing."""

    bounds_duration: Quantity = Quantity()


class Timing(Element, frozen=True):
    """When something is to be done."""

    repeat: Repeat = Repeat()


class WordedRequest(Extended, frozen=True):
    """A ServiceRequest: one exercise of a home plan."""

    id: str = ""
    status: str = ""
    code: WordedConcept = WordedConcept()
    quantity_quantity: Quantity = Quantity()
    occurrence_timing: Timing = Timing()

    @property
    def reference(self) -> str:
        """``ServiceRequest/id``."""
        return f"ServiceRequest/{self.id}"
