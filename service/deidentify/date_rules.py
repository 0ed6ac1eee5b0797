"""What a policy makes of dates: ``"dates": "year" | "days" | "shift" | "stored"``."""

from collections.abc import Callable, Mapping
from typing import Any

from service.deidentify import rules
from service.deidentify.dates import age_class, age_on, days_since
from service.deidentify.rules import Release, Tree, Value
from service.deidentify.walk import Writer, element

__all__ = ["birth_date", "date_writer"]

_RULES: Mapping[str, Value] = {
    "year": rules.year_only,
    "shift": rules.moved_date,
    "stored": rules.stored_date,
}


def date_writer(kind: str, days_url: str) -> Callable[[str], Writer]:
    """Answer the writers of dates; days are said by the extension ``days_url`` in place of the date.

    Raises ValueError for a kind that does not exist.
    """
    if kind == "days":
        return lambda name: _days(name, days_url)
    if kind not in _RULES:
        raise ValueError(f"There is no way '{kind}' to let dates out.")
    return lambda name: element(name, _RULES[kind])


def _days(name: str, url: str) -> Writer:
    def write(kept: Tree, value: Any, release: Release) -> None:
        if isinstance(value, str) and release.first_visit is not None:
            days = days_since(value, release.first_visit, release.day)
            if days is not None:
                kept[f"_{name}"] = {"extension": [{"url": url, "valueInteger": days}]}

    return write


def birth_date(kind: str, age_class_url: str) -> Callable[[str], Writer]:
    """Answer the writers of a birth date: its year, of the moved one where dates are moved; or all of it.

    An age over 89, true or by the moved date, is said as its class by the extension ``age_class_url``, unless
    dates stay as they are.
    """
    if kind == "stored":
        return lambda name: element(name, rules.stored_date)
    shown = rules.moved_date if kind == "shift" else rules.year_only

    def writer(name: str) -> Writer:
        def write(kept: Tree, value: Any, release: Release) -> None:
            found = shown(value, release)
            age = age_on(release.day, value) if isinstance(value, str) else None
            if found is not None:
                kept[name] = found[:4]
            elif age is not None:
                said = {"url": age_class_url, "valueString": age_class(age)}
                kept.setdefault("extension", []).append(said)

        return write

    return writer
