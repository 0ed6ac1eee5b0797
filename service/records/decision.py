"""What a person decided about a computed result, and the Provenance that says so.

Pure. A decision is a new version of what it is about; nothing else tells it from any other change than its
Provenance, whose activity is a code of the value set ``decision``.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from service.fhir.canonical import CANONICAL_ROOT
from service.fhir.references import local_target
from service.records.draft import HL7
from service.records.elements import Element, present, reference
from service.records.narrative import narrative
from service.records.parts import target
from service.records.stored import Resource, code_of, reference_to
from service.terminology.codes import VALUE, Codes

__all__ = [
    "DECISIONS",
    "SIGNATURE",
    "SUMMARIES",
    "Activity",
    "Author",
    "Decision",
    "Made",
    "activity_of",
    "decision_provenance",
    "labels_of",
    "made",
]

DECISIONS = f"{CANONICAL_ROOT}/decisions"
"""System of the identifiers of what a decision adds to the file."""
SUMMARIES = f"{CANONICAL_ROOT}/progress-summary"
"""System of the identifier of a kept progress summary: ``patient/day/digest``."""
Activity = str
"""A code of the value set ``decision``."""
SIGNATURE = "sign-visit"
"""The activity that is not undone."""
_ACTIVITIES = {
    "accept-computed-status",
    "override-status",
    "exclude-visit",
    "mark-not-observable",
    "file-summary",
    SIGNATURE,
    "undo",
}


@dataclass(frozen=True, slots=True)
class Author:
    """Who decides: as a Reference, and the moment (FHIR dateTime with offset)."""

    who: Element
    moment: str

    @property
    def day(self) -> str:
        """The day of the decision, in the offset of its moment."""
        return self.moment[:10]


@dataclass(frozen=True, slots=True)
class Decision:
    """What was done and why. ``sources`` are what it rests on, as ``Provenance.entity.what``.

    ``roles`` are those of who did it, codes of R4's participant types.
    """

    activity: Activity
    reason: str = ""
    sources: tuple[Element, ...] = ()
    roles: tuple[str, ...] = ("author",)


@dataclass(frozen=True, slots=True)
class Made:
    """A decision as its Provenance tells it.

    ``provenance`` is its reference, ``about`` what it wrote versions of (``Goal/1``), ``who`` the Reference
    of the person. ``undoes`` and ``undone_by`` name the Provenance of another decision, empty for none.
    """

    provenance: str
    activity: Activity
    about: tuple[str, ...]
    moment: str
    who: Element
    reason: str
    undoes: str = ""
    undone_by: str = ""


def made(provenances: Iterable[Resource]) -> tuple[Made, ...]:
    """The decisions among Provenances, given and answered with the newest first.

    An undoing that was undone undoes nothing.
    """
    newest = [_made(one) for one in provenances if activity_of(one)]
    undone: dict[str, str] = {}
    for one in newest:
        if one.undoes and one.provenance not in undone:
            undone.setdefault(one.undoes, one.provenance)
    return tuple(replace(one, undone_by=undone.get(one.provenance, "")) for one in newest)


def _made(provenance: Resource) -> Made:
    entities = [
        target(one.get("what")) for one in provenance.get("entity", ()) if one.get("role") == "source"
    ]
    undoing = activity_of(provenance) == "undo"
    return Made(
        reference_to(provenance),
        activity_of(provenance),
        tuple(local_target(target(one)) for one in provenance.get("target", ())),
        provenance.get("recorded", ""),
        next((one["who"] for one in provenance.get("agent", ()) if "who" in one), {}),
        str(next((one.get("text", "") for one in provenance.get("reason", ())), "")),
        next((one for one in entities if undoing and one.startswith("Provenance/")), ""),
    )


def activity_of(provenance: Resource) -> Activity:
    """Which kind of decision a Provenance tells of; empty if of none."""
    code = code_of(provenance.get("activity"), VALUE)
    return code if code in _ACTIVITIES else ""


def labels_of(resource: Resource) -> list[Element]:
    """The security labels of a resource: what is written about invented people says so too."""
    labels: list[Element] = resource.get("meta", {}).get("security", [])
    return labels


def decision_provenance(
    decision: Decision,
    changes: Mapping[str, str],
    author: Author,
    *,
    labels: Sequence[Element],
    codes: Codes,
) -> Element:
    """The Provenance of a decision.

    ``changes`` are the versions written (``Goal/1/_history/3``), each with the one before it, empty for none.
    """
    activity = codes.concept(decision.activity, system=VALUE)
    before = [{"role": "revision", "what": reference(one)} for one in changes.values() if one]
    sources = [{"role": "source", "what": one} for one in decision.sources]
    said = [("When", author.moment), ("Reason", decision.reason)]
    return {
        "resourceType": "Provenance",
        **present(meta=present(security=list(labels))),
        "text": narrative(activity["text"], [*said, *_displays(decision.sources)]),
        "target": [reference(one) for one in changes],
        "occurredDateTime": author.moment,
        "recorded": author.moment,
        **present(reason=[{"text": decision.reason}] if decision.reason else []),
        "activity": activity,
        "agent": [_agent(author, role, codes) for role in decision.roles],
        **present(entity=[*before, *sources]),
    }


def _agent(author: Author, role: str, codes: Codes) -> Element:
    coding = codes.coding(f"{HL7}provenance-participant-type", role)
    return {"type": {"coding": [coding]}, "who": author.who}


def _displays(sources: Sequence[Element]) -> list[tuple[str, Any]]:
    return [("In view of", one.get("display", "")) for one in sources]
