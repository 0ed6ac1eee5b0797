"""A visit that a person left out of computed results: the Encounter's extension ``visit-exclusion``.

Pure. The visit stays on file; its values count nowhere and are listed with the reason.
"""

from service.records.elements import Element, extension, present
from service.records.narrative import with_line
from service.records.stored import Resource, extensions
from service.terminology.codes import VALUE, Codes

__all__ = ["excluded", "exclusion", "exclusion_of"]


def exclusion(reason: str, code: str, moment: str, codes: Codes) -> Element:
    """The extension: why, in words and as a code of ``visit-exclusion-reason`` (may be empty), and when."""
    coding = [codes.coding(VALUE, code)] if code else []
    concept = {**present(coding=coding), "text": reason}
    parts: list[Element] = [
        {"url": "reason", "valueCodeableConcept": concept},
        {"url": "date", "valueDateTime": moment},
    ]
    return extension("visit-exclusion", parts)


def exclusion_of(encounter: Resource) -> Element | None:
    """The extension of a visit that is left out; None if it counts."""
    return next(extensions(encounter, "visit-exclusion"), None)


def excluded(encounter: Resource, why: Element) -> Resource:
    """The visit, left out; its narrative says so too."""
    said = (part.get("valueCodeableConcept", {}).get("text", "") for part in why.get("extension", ()))
    text = with_line(encounter.get("text"), "Left out of computed results", next(filter(None, said), "yes"))
    return {
        **encounter,
        **present(text=text),
        "extension": [*encounter.get("extension", []), why],
    }
