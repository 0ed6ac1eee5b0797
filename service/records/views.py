"""Stored Goals, Observations and Encounters as the numbers need them.

Stored text was checked when it came in. Here it is read fast: narrative and all that is not named below is
passed over without being built; a CodeableConcept and the components of an Observation are only read when
asked for, once for all that write them alike. An element that is not there is empty, so nothing has to be
asked twice; numbers keep their decimals (FHIR R4 goal.html, observation.html, encounter.html).
"""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from decimal import Context, Decimal
from fractions import Fraction
from functools import cache, lru_cache
from typing import TypeVar

from msgspec import Raw, Struct, ValidationError, field
from msgspec.json import Decoder

from service.fhir.canonical import extension
from service.fhir.references import local_target
from service.fhir.units import converted
from service.records.stored import NOT_FINAL, OWN

__all__ = [
    "CarePlan",
    "Component",
    "Concept",
    "Element",
    "Encounter",
    "Extension",
    "Goal",
    "Observation",
    "Parts",
    "Patient",
    "Quantity",
    "QuestionnaireResponse",
    "Target",
    "Valued",
    "exact",
    "read_components",
    "read_concept",
    "views",
]

T = TypeVar("T", bound="Element")
C = TypeVar("C", bound="Concept")
P = TypeVar("P", bound="Component")

_LIMIT = Decimal(10**13)
_FINEST = Decimal("1E-12")
_ENOUGH = Context(prec=25)


@lru_cache(maxsize=4096)  # the same few numbers come again and again
def exact(value: Decimal | int | None) -> Fraction | None:
    """A number exactly; None for none, and for one too large (10^13) or too fine (10^-12) to be measured.

    The bounds keep a number such as 1E999999 from becoming a million digits.
    """
    if value is None or not -_LIMIT < value < _LIMIT:
        return None
    rounded = Decimal(value).quantize(_FINEST, context=_ENOUGH)
    return Fraction(rounded) if rounded == value else None


class Element(Struct, frozen=True, rename="camel", gc=False):
    """What stands in a stored resource; never part of a cycle, so the collector may pass it over."""


class Coding(Element, frozen=True):
    """A code of a system."""

    system: str = ""
    code: str = ""


class Concept(Element, frozen=True):
    """A CodeableConcept's codes."""

    coding: tuple[Coding, ...] = ()

    @property
    def own(self) -> str:
        """The first code in a system of the project's own, else empty."""
        for coding in self.coding:
            if coding.system in OWN:
                return coding.code
        return ""

    def of(self, system: str) -> str:
        """The first code in another system, else empty."""
        return next((coding.code for coding in self.coding if coding.system == system), "")


_NO_TEXT = Raw(b"")


@lru_cache(maxsize=4096)  # a few dozen concepts make up nearly all that is stored
def _concept(text: bytes) -> Concept:
    return read_concept(Concept, text)


@lru_cache(maxsize=4096)
def _codes(text: bytes) -> frozenset[str]:
    """The codes of a list of CodeableConcepts; none if it does not have its shape."""
    concepts: tuple[Concept, ...] = ()
    with suppress(ValidationError):
        concepts = _concepts().decode(text) if text else ()
    return frozenset(coding.code for concept in concepts for coding in concept.coding)


@cache
def _concepts() -> Decoder[tuple[Concept, ...]]:
    return Decoder(tuple[Concept, ...])


@lru_cache(maxsize=4096)
def _own(text: bytes) -> str:
    return read_concept(Concept, text).own


def read_concept(kind: type[C], text: bytes) -> C:
    """A CodeableConcept's text as ``kind``; an empty one if it does not have its shape."""
    with suppress(ValidationError):
        return _decoder(kind).decode(text) if text else kind()
    return kind()


class Text(Element, frozen=True):
    """A CodeableConcept's words."""

    text: str = ""


class Reference(Element, frozen=True):
    """A Reference by address."""

    reference: str = ""

    @property
    def target(self) -> str:
        """``Type/id`` if it leads to a resource of this service, else empty."""
        return local_target(self.reference)


class Quantity(Element, frozen=True):
    """A measured amount; ``code`` is its unit in UCUM."""

    value: Decimal | None = None
    comparator: str = ""
    code: str = ""


class Period(Element, frozen=True):
    """From ``start`` to ``end``, as FHIR writes them."""

    start: str = ""
    end: str = ""


class Valued(Element, frozen=True):
    """What has a ``value[x]`` and a code."""

    code_text: Raw = field(name="code", default=_NO_TEXT)
    concept_text: Raw = field(name="valueCodeableConcept", default=_NO_TEXT)
    value_quantity: Quantity = Quantity()
    value_integer: int | None = None
    value_boolean: bool | None = None
    value_string: str = ""

    @property
    def code(self) -> Concept:
        """What it is."""
        return _concept(bytes(self.code_text))

    @property
    def own(self) -> str:
        """The first code in a system of the project's own, else empty."""
        return _own(bytes(self.code_text))

    @property
    def value_codeable_concept(self) -> Concept:
        """The value."""
        return _concept(bytes(self.concept_text))

    @property
    def answer(self) -> str:
        """The first code of the value in a system of the project's own, else empty."""
        return _own(bytes(self.concept_text))

    def number(self, unit: str = "") -> Fraction | None:
        """``valueInteger``, or ``valueQuantity`` exactly, in ``unit`` (a UCUM code) if one is given.

        None for a quantity in a unit of another kind.
        """
        if self.value_integer is not None:
            return exact(self.value_integer)
        quantity = self.value_quantity
        value = exact(quantity.value)
        if value is None or not unit or quantity.code == unit:
            return value
        return converted(value, quantity.code, unit)

    @property
    def whole(self) -> int | None:
        """A whole number; None for none, or one with a fraction."""
        value = self.number()
        return int(value) if value is not None and value.denominator == 1 else None


class Component(Valued, frozen=True):
    """A component of an Observation; one that is not there is ``Component()``."""


class Parts(dict[str, P]):
    """The first component with each own code, each as ``kind``; an empty one for a code that none has."""

    def __init__(self, kind: type[P], text: bytes) -> None:
        """``text`` is that of Observation.component."""
        super().__init__((part.own, part) for part in reversed(read_components(kind, text)))
        self._none = kind()

    def __missing__(self, code: str) -> P:
        """Called by ``self[code]``."""
        return self._none


@lru_cache(maxsize=1024)  # days of practice are written alike, and so are most trials
def _parts(text: bytes) -> Mapping[str, Component]:
    return Parts(Component, text)


def read_components(kind: type[P], text: bytes) -> tuple[P, ...]:
    """The text of Observation.component, each as ``kind``; none if it does not have its shape."""
    with suppress(ValidationError):
        return _tuple(kind).decode(text) if text else ()
    return ()


class Extension(Element, frozen=True):
    """An extension with one of the values this project's own have."""

    url: str = ""
    value_boolean: bool | None = None
    value_integer: int | None = None
    value_positive_int: int | None = None
    value_decimal: Decimal | None = None
    value_date: str = ""
    value_date_time: str = ""
    value_code: str = ""
    value_string: str = ""
    value_quantity: Quantity = Quantity()
    value_codeable_concept: Text = Text()
    value_reference: Reference = Reference()
    extension: tuple["Extension", ...] = ()

    @property
    def number(self) -> Decimal | int | None:
        """The number it holds."""
        numbers = (self.value_positive_int, self.value_decimal, self.value_integer)
        return next((one for one in numbers if one is not None), None)

    def within(self, url: str) -> "Extension":
        """The part of a complex extension with this url; an empty one if there is none."""
        return next((one for one in self.extension if one.url == url), Extension())


class Extended(Element, frozen=True):
    """What has extensions."""

    extension: tuple[Extension, ...] = ()

    def extensions(self, name: str) -> Iterator[Extension]:
        """The project's own extensions with this name."""
        url = extension(name)
        return (one for one in self.extension if one.url == url)

    def extended(self, name: str) -> Extension:
        """The first of them; an empty one if there is none."""
        return next(self.extensions(name), Extension())


class Observation(Valued, frozen=True):
    """An Observation."""

    id: str = ""
    status: str = ""
    category_text: Raw = field(name="category", default=_NO_TEXT)
    encounter: Reference = Reference()
    focus: tuple[Reference, ...] = ()
    has_member: tuple[Reference, ...] = ()
    effective_date_time: str = ""
    effective_period: Period = Period()
    effective_instant: str = ""
    data_absent_reason: Concept = Concept()
    component_text: Raw = field(name="component", default=_NO_TEXT)

    @property
    def component(self) -> tuple[Component, ...]:
        """Its components."""
        return read_components(Component, bytes(self.component_text))

    @property
    def parts(self) -> Mapping[str, Component]:
        """The first component with each own code; an empty one for a code that none has."""
        return _parts(bytes(self.component_text))

    @property
    def categories(self) -> frozenset[str]:
        """The codes of its categories, of whatever system."""
        return _codes(bytes(self.category_text))

    @property
    def in_force(self) -> bool:
        """Whether it counts: neither cancelled nor entered in error."""
        return self.status not in ("entered-in-error", "cancelled")

    @property
    def preliminary(self) -> bool:
        """Whether it says of itself that it is not final, whoever wrote it (observation-status)."""
        return self.status in NOT_FINAL

    @property
    def reference(self) -> str:
        """``Observation/id``."""
        return f"Observation/{self.id}"

    def part(self, code: str) -> Component:
        """The first component with this own code; an empty one if there is none."""
        return self.parts[code]

    @property
    def effective(self) -> str:
        """The date or time it holds for, or from which on."""
        return self.effective_date_time or self.effective_period.start or self.effective_instant


class Target(Extended, frozen=True):
    """A target of a Goal."""

    measure: Concept = Concept()
    detail_quantity: Quantity = Quantity()
    detail_integer: int | None = None
    due_date: str = ""


class Goal(Extended, frozen=True):
    """A Goal."""

    id: str = ""
    lifecycle_status: str = ""
    achievement_status: Concept = Concept()
    description: Text = Text()
    start_date: str = ""
    target: tuple[Target, ...] = ()
    status_date: str = ""
    status_reason: str = ""

    @property
    def in_force(self) -> bool:
        """Whether it was not entered in error."""
        return self.lifecycle_status != "entered-in-error"

    @property
    def reference(self) -> str:
        """``Goal/id``."""
        return f"Goal/{self.id}"


_UNSIGNED = {"": "", "signature": "draft, not signed", "co-signature": "co-signature needed"}


class Encounter(Extended, frozen=True):
    """An Encounter."""

    id: str = ""
    status: str = ""
    period: Period = Period()

    @property
    def in_force(self) -> bool:
        """Whether it was not entered in error."""
        return self.status != "entered-in-error"

    @property
    def excluded(self) -> bool:
        """Whether the visit is left out of computed results: a person did so, or it is not signed."""
        return bool(self.awaits) or any(True for _ in self.extensions("visit-exclusion"))

    @property
    def exclusion(self) -> str:
        """Why the visit is left out of computed results, in words; empty if it counts."""
        if reason := self.extended("visit-exclusion").within("reason").value_codeable_concept.text:
            return reason
        if self.amended and self.awaits == "signature":
            return "amended, not signed"
        return _UNSIGNED[self.awaits]

    @property
    def amended(self) -> bool:
        """Whether its record was changed after it had been signed."""
        return bool(self.extended("visit-signature").within("reason").value_string)

    @property
    def awaits(self) -> str:
        """What its record waits for: signature (a draft, an amendment), co-signature, or nothing."""
        signed = self.extended("visit-signature")
        if signed.within("status").value_code != "preliminary":
            return ""
        return "co-signature" if signed.within("signed-by").value_reference.reference else "signature"

    @property
    def reference(self) -> str:
        """``Encounter/id``."""
        return f"Encounter/{self.id}"


class Activity(Element, frozen=True):
    """A part of a plan that is a resource of its own."""

    reference: Reference = Reference()


class CarePlan(Extended, frozen=True):
    """A CarePlan."""

    id: str = ""
    status: str = ""
    category: tuple[Concept, ...] = ()
    encounter: Reference = Reference()
    period: Period = Period()
    created: str = ""
    activity: tuple[Activity, ...] = ()

    @property
    def in_force(self) -> bool:
        """Whether it was given: neither a draft nor entered in error."""
        return self.status not in ("draft", "entered-in-error")

    @property
    def reference(self) -> str:
        """``CarePlan/id``."""
        return f"CarePlan/{self.id}"


class Patient(Element, frozen=True):
    """A Patient, as far as the numbers need it."""

    deceased_boolean: bool = False
    deceased_date_time: str = ""

    @property
    def died(self) -> bool:
        """Whether the person is known to have died."""
        return self.deceased_boolean or bool(self.deceased_date_time)


class QuestionnaireResponse(Element, frozen=True):
    """A QuestionnaireResponse, without its answers."""

    id: str = ""
    status: str = ""
    questionnaire: str = ""
    encounter: Reference = Reference()
    authored: str = ""

    @property
    def in_force(self) -> bool:
        """Whether it counts: all of it was answered, and not in error."""
        return self.status in ("completed", "amended")

    @property
    def reference(self) -> str:
        """``QuestionnaireResponse/id``."""
        return f"QuestionnaireResponse/{self.id}"


def views(kind: type[T], contents: Iterable[bytes]) -> list[T]:
    """Read stored resources of the type ``kind`` stands for; what does not have its shape is left out."""
    decode = _decoder(kind).decode
    found = []
    for content in contents:
        try:  # five times as fast as a context manager, for each of hundreds
            found.append(decode(content))
        except ValidationError:
            continue
    return found


@cache
def _decoder(kind: type[T]) -> Decoder[T]:
    return Decoder(kind)


@cache
def _tuple(kind: type[T]) -> Decoder[tuple[T, ...]]:
    return Decoder(tuple[kind, ...])  # type: ignore[valid-type]
