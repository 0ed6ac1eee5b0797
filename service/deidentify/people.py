"""One person's resources, de-identified together, and what the person can be told apart by."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

from service.deidentify.dates import age_class
from service.deidentify.policy import Deidentifier, Refusal
from service.deidentify.pseudonyms import Pseudonyms
from service.deidentify.rules import Release

__all__ = ["NOT_VALID", "QuasiIdentifiers", "deidentify_person", "in_age_class", "quasi_identifiers"]

NOT_VALID = "not valid without what was removed"

Tree = dict[str, Any]


def deidentify_person(
    stored: Sequence[Tree],
    deidentify: Deidentifier,
    *,
    day: date,
    names: Pseudonyms,
    valid: Callable[[Tree], bool],
) -> tuple[list[Tree], Counter[str]]:
    """Answer what leaves of one person, and how many resources are held back by type and reason.

    ``stored`` begins with the Patient; nothing leaves if that may not. A resource that is held back may be
    pointed at by others, so the round is repeated without it until every reference has its target.
    """
    offered = {f"{resource['resourceType']}/{resource['id']}": resource for resource in stored}
    patient = next(iter(offered))
    held_back: Counter[str] = Counter()

    while True:
        outcomes = _round(offered, deidentify, day, names, valid)
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
    names: Pseudonyms,
    valid: Callable[[Tree], bool],
) -> dict[str, Tree | str]:
    """De-identify each resource offered, pointing only at others offered; a text says why one is refused."""
    release = Release(day, lambda key: names.of(key) if key in offered else None)
    outcomes: dict[str, Tree | str] = {}
    for key, resource in offered.items():
        found = deidentify(resource, release)
        if isinstance(found, Refusal):
            outcomes[key] = found.value
        else:
            outcomes[key] = found if valid(found) else NOT_VALID
    return outcomes


class QuasiIdentifiers(NamedTuple):
    """What others may know of a person and find again in the released resources."""

    age: str
    gender: str
    state: str
    zip3: str
    conditions: tuple[str, ...]
    years: tuple[str, ...]

    def in_age_class(self, release: date) -> "QuasiIdentifiers":
        """The same with the birth year, if that is shown, widened to an age class."""
        return self._replace(age=_class_of(self.age, release)) if self.age.isdigit() else self


def quasi_identifiers(patient: Mapping[str, Any], others: Iterable[Mapping[str, Any]]) -> QuasiIdentifiers:
    """Read them off a released Patient, its released Conditions (codes) and Encounters (years)."""
    places = patient.get("address", [])
    conditions: set[str] = set()
    years: set[str] = set()
    for resource in others:
        if resource["resourceType"] == "Condition":
            conditions.add(",".join(coding["code"] for coding in resource["code"]["coding"]))
        elif resource["resourceType"] == "Encounter":
            years.update(resource.get("period", {}).values())
    return QuasiIdentifiers(
        patient.get("birthDate") or ",".join(item["valueString"] for item in patient.get("extension", ())),
        patient.get("gender", ""),
        ",".join(place.get("state", "") for place in places),
        ",".join(place.get("postalCode", "") for place in places),
        tuple(sorted(conditions)),
        tuple(sorted(years)),
    )


def in_age_class(patient: Tree, release: date, url: str) -> Tree:
    """A released Patient with an age class (extension ``url``) in place of the birth year."""
    wider = {name: value for name, value in patient.items() if name != "birthDate"}
    if "birthDate" in patient:
        said = {"url": url, "valueString": _class_of(patient["birthDate"], release)}
        wider["extension"] = [*patient.get("extension", ()), said]
    return wider


def _class_of(birth_year: str, release: date) -> str:
    """Class of the age reached in the year of the release.

    The true age's class would tell on which side of the release the birthday lies.
    """
    return age_class(release.year - int(birth_year))
