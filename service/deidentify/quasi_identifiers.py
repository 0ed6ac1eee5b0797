"""What a released person can be told apart by, and how to make it wider where too few are alike."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

from service.deidentify.dates import age_class

__all__ = ["QuasiIdentifiers", "Widening", "quasi_identifiers", "wideners"]

Tree = dict[str, Any]
Widening = Callable[[Tree], Tree]
"""Answers a released resource with less in it, itself if it has nothing of the kind."""


class QuasiIdentifiers(NamedTuple):
    """What others may know of a person and find again in the released resources."""

    age: str
    gender: str
    place: tuple[str, ...]
    conditions: tuple[str, ...]
    years: tuple[str, ...]
    died: bool


def quasi_identifiers(patient: Mapping[str, Any], others: Iterable[Mapping[str, Any]]) -> QuasiIdentifiers:
    """Read them off a released Patient, its released Conditions (codes) and Encounters (years).

    An age is a birth date or year as released, or an age class; a place every part that was released of it.
    """
    said = {item["url"]: _value(item) for item in patient.get("extension", ())}
    region = [text for url, text in said.items() if url.endswith("/census-region")]
    age = [text for url, text in said.items() if url.endswith("/age-class")]
    first = [text for url, text in said.items() if url.endswith("/first-visit-year")]
    conditions: set[str] = set()
    years: set[str] = set(first)
    for resource in others:
        if resource["resourceType"] == "Condition":
            conditions.add(",".join(coding["code"] for coding in resource["code"].get("coding", ())))
        elif resource["resourceType"] == "Encounter":
            ends = resource.get("period", {}).values()
            years.update(end[:4] for end in ends if isinstance(end, str))
    return QuasiIdentifiers(
        patient.get("birthDate") or ",".join(age),
        patient.get("gender", ""),
        (*_parts(patient.get("address", ())), *region),
        tuple(sorted(conditions)),
        tuple(sorted(years)),
        bool(patient.get("deceasedBoolean")),
    )


def _parts(places: Iterable[Mapping[str, str]]) -> tuple[str, ...]:
    return tuple(f"{name} {text}" for place in places for name, text in sorted(place.items()))


def _value(extension: Mapping[str, str]) -> str:
    return next(text for name, text in extension.items() if name != "url")


def wideners(policy: Mapping[str, Any], day: date) -> list[tuple[str, Widening]]:
    """Answer the steps of a policy, in its order, by name: each is done after those before it.

    ``regions``, ``chapters`` and ``wider_conditions`` of the document say what is wider than what. Raises
    ValueError for a step that does not exist.
    """
    urls = policy["extension_urls"]
    states = {state: region for region, of in policy["regions"].items() for state in of}
    steps: dict[str, Widening] = {
        "age class": lambda one: _aged(one, day, urls["age_class"]),
        "no ZIP3": _without_zip,
        "region": lambda one: _in_region(one, states, urls["region"]),
        "condition chapter": _by_chapter(policy),
    }
    if unknown := [name for name in policy["steps"] if name not in steps]:
        raise ValueError(f"There is no way to make classes wider by '{unknown[0]}'.")
    return [(name, steps[name]) for name in policy["steps"]]


def _aged(one: Tree, day: date, url: str) -> Tree:
    """Class of the age reached in the year of the release.

    The true age's class would tell on which side of the release the birthday lies.
    """
    if "birthDate" not in one:
        return one
    said = {"url": url, "valueString": age_class(day.year - int(one["birthDate"][:4]))}
    rest = {name: value for name, value in one.items() if name != "birthDate"}
    return rest | {"extension": [*one.get("extension", ()), said]}


def _without_zip(one: Tree) -> Tree:
    return _with_places(
        one, lambda place: {name: text for name, text in place.items() if name != "postalCode"}
    )


def _in_region(one: Tree, regions: Mapping[str, str], url: str) -> Tree:
    found = dict.fromkeys(regions[place["state"]] for place in one.get("address", ()) if "state" in place)
    if not found:
        return one
    rest = _with_places(one, lambda place: {name: text for name, text in place.items() if name != "state"})
    said = [{"url": url, "valueString": region} for region in found]
    return rest | {"extension": [*one.get("extension", ()), *said]}


def _with_places(one: Tree, change: Callable[[Tree], Tree]) -> Tree:
    if "address" not in one:
        return one
    places = [changed for place in one["address"] if (changed := change(place))]
    rest = {name: value for name, value in one.items() if name != "address"}
    return rest | {"address": places} if places else rest


def _by_chapter(policy: Mapping[str, Any]) -> Widening:
    wider, groups = policy["wider_conditions"], policy["condition_groups"]
    hidden = {"extension": [{"url": policy["extension_urls"]["data_absent_reason"], "valueCode": "masked"}]}

    def coding(one: Mapping[str, str]) -> Tree | None:
        system, code = one["system"], one["code"]
        if system in policy["rolled_up"]:
            chapter = _chapter(code, policy["chapters"])
            return {"system": system, "code": chapter} if chapter else None
        code = wider.get(system, {}).get(code, code)
        label = groups.get(system, {}).get(code)
        return {"system": system, "code": code, "display": label} if label else None

    def widen(one: Tree) -> Tree:
        if one["resourceType"] != "Condition":
            return one
        found = [kept for item in one["code"]["coding"] if (kept := coding(item))]
        once = [item for place, item in enumerate(found) if item not in found[:place]]
        return one | {"code": {"coding": once} if once else hidden}

    return widen


def _chapter(code: str, chapters: Sequence[str]) -> str:
    """The chapter (``I00-I99``) in which the first three characters of an ICD-10 code lie."""
    ends = (chapter.split("-") for chapter in chapters)
    return next((f"{low}-{high}" for low, high in ends if low <= code[:3] <= high), "")
