"""One person's resources, de-identified together."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.deidentify.dates import day_of
from service.deidentify.policy import Deidentifier, Refusal
from service.deidentify.pseudonyms import Pseudonyms
from service.deidentify.rules import Release

__all__ = ["NOT_VALID", "Hidden", "deidentify_person"]

NOT_VALID = "not valid without what was removed"

Tree = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Hidden:
    """What hides one person: random names, codes of their raters, the days their dates are moved."""

    names: Pseudonyms
    raters: Mapping[str, str]
    shift: int


def deidentify_person(
    stored: Sequence[Tree],
    deidentify: Deidentifier,
    *,
    day: date,
    hidden: Hidden,
    valid: Callable[[Tree], bool],
) -> tuple[list[Tree], Counter[str]]:
    """Answer what leaves of one person, and how many resources are held back by type and reason.

    ``stored`` begins with the Patient; nothing leaves if that may not. A resource that is held back may be
    pointed at by others, so the round is repeated without it until every reference has its target. Days are
    counted from the first visit that leaves.
    """
    offered = {f"{resource['resourceType']}/{resource['id']}": resource for resource in stored}
    patient = next(iter(offered))
    held_back: Counter[str] = Counter()

    while True:
        outcomes = _round(offered, deidentify, day, hidden, valid)
        refused = {key: why for key, why in outcomes.items() if isinstance(why, str)}
        held_back.update(f"{key.split('/')[0]}: {why}" for key, why in refused.items())
        if patient in refused:
            return [], held_back
        if not refused:
            return [resource for resource in outcomes.values() if not isinstance(resource, str)], held_back
        offered = {key: resource for key, resource in offered.items() if key not in refused}


def _round(
    offered: Mapping[str, Tree],
    deidentify: Deidentifier,
    day: date,
    hidden: Hidden,
    valid: Callable[[Tree], bool],
) -> dict[str, Tree | str]:
    """De-identify each resource offered, pointing only at others offered; a text says why one is refused."""
    release = Release(
        day,
        lambda key: hidden.names.of(key) if key in offered else None,
        shift=hidden.shift,
        first_visit=_first_visit(offered.values()),
        rater=hidden.raters.get,
    )
    outcomes: dict[str, Tree | str] = {}
    for key, resource in offered.items():
        found = deidentify(resource, release)
        if isinstance(found, Refusal):
            outcomes[key] = found.value
        else:
            outcomes[key] = found if valid(found) else NOT_VALID
    return outcomes


def _first_visit(offered: Iterable[Tree]) -> date | None:
    visits = [one for one in offered if one["resourceType"] == "Encounter"]
    starts = (one.get("period", {}).get("start") for one in visits)
    return min((day for start in starts if isinstance(start, str) and (day := day_of(start))), default=None)
