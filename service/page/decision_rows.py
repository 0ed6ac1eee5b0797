"""What people decided, as lines: what, about what, when, who, why, and whether it was undone."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from service.fhir.references import local_target
from service.operations.decisions_made import decisions_about
from service.page.called import called
from service.records.decision import SIGNATURE, Made
from service.store.contract import Store

__all__ = ["DecisionRow", "decision_rows"]

WHAT = {
    "accept-computed-status": "Computed status accepted",
    "override-status": "Status stated",
    "exclude-visit": "Visit excluded",
    "mark-not-observable": "Trial marked not observable",
    "file-summary": "Summary filed",
    "sign-visit": "Visit signed",
    "undo": "Undone",
}


@dataclass(frozen=True, slots=True)
class DecisionRow:
    """One decision; ``id`` is its Provenance's. ``undone`` can't be undone again, ``lasting`` never."""

    id: str
    what: str
    about: str
    when: str
    who: str
    why: str
    undone: bool
    lasting: bool = False


async def decision_rows(store: Store, names: Mapping[str, str], zone: ZoneInfo) -> tuple[DecisionRow, ...]:
    """The decisions about resources, newest first; ``names`` calls each reference by its words."""
    found = await decisions_about(store, names)
    people = {one: await called(store, one) for one in {_reference(made) for made in found}}
    return tuple(_row(made, names, people[_reference(made)], zone) for made in found)


def _row(made: Made, names: Mapping[str, str], who: str, zone: ZoneInfo) -> DecisionRow:
    moment = datetime.fromisoformat(made.moment).astimezone(zone)
    return DecisionRow(
        id=made.provenance.removeprefix("Provenance/"),
        what=WHAT.get(made.activity, made.activity),
        about=_about(made.about, names),
        when=f"{moment.day} {moment:%b %Y, %H:%M}",
        who=who or str(made.who.get("identifier", {}).get("value", "not recorded")),
        why=made.reason,
        undone=bool(made.undone_by),
        lasting=made.activity == SIGNATURE,
    )


def _about(references: Iterable[str], names: Mapping[str, str]) -> str:
    return "; ".join(dict.fromkeys(names[one] for one in references if one in names))


def _reference(made: Made) -> str:
    return local_target(str(made.who.get("reference", "")))
