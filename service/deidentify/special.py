"""Rules that write elsewhere than they read: who died, in what role somebody acted, that a text is hidden."""

from collections.abc import Mapping
from typing import Any

from service.deidentify import rules
from service.deidentify.rules import Release, Tree
from service.deidentify.walk import Writer

__all__ = ["deceased", "masked_text", "role"]

_RATING = "clinician"
"""The role whose holders are raters."""


def deceased(kept: Tree, value: Any, _: Release) -> None:
    """Say that the person died, not when: a time of death is read as true."""
    kept["deceasedBoolean"] = value if isinstance(value, bool) else True


def masked_text(name: str, absent_url: str) -> Writer:
    """Say of a text that has to be there that it is hidden."""

    def write(kept: Tree, value: Any, _: Release) -> None:  # noqa: ARG001 - whatever it is
        kept[f"_{name}"] = {"extension": [{"url": absent_url, "valueCode": "masked"}]}

    return write


def role(roles: Mapping[str, str], url: str, rater_url: str) -> Writer:
    """Say in what role somebody acted, not who it was; ``rater_url`` says a rater's random code if given."""

    def write(kept: Tree, value: Any, release: Release) -> None:
        for item in value if isinstance(value, list) else [value]:
            type_, id_ = rules.referenced(item)
            found = roles.get(type_)
            if found is not None:
                _say(kept, {"url": url, "valueCode": found})
            code = release.rater(f"{type_}/{id_}") if rater_url and found == _RATING else None
            if code is not None:
                _say(kept, {"url": rater_url, "valueString": code})

    return write


def _say(kept: Tree, said: Tree) -> None:
    if said not in kept.get("extension", ()):
        kept.setdefault("extension", []).append(said)
