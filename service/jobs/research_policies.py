"""Which de-identification policies are offered, and reading them with their tables."""

import json
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from service.deidentify.policy import Deidentifier
from service.errors import InvalidInput
from service.shipped import shipped
from service.terminology.codes import codes

__all__ = ["VARIANTS", "Variant", "load_variant", "policy_document"]

VARIANTS = ("safe-harbor", "safe-harbor-days", "limited-data-set", "shifted-dates")


@dataclass(frozen=True, slots=True)
class Variant:
    """A policy ready for use, and what the export itself needs of it.

    ``small_classes`` says what becomes of people whom too few resemble: suppress (they stay), refuse (nobody
    leaves) or report. ``k`` and ``k_open`` are the least alike for known recipients and for everybody;
    ``may_be_open`` whether the latter may be at all. ``shifts``: every person needs an offset.
    """

    document: dict[str, Any]
    deidentify: Deidentifier
    small_classes: Literal["suppress", "refuse", "report"]
    k: int
    k_open: int
    may_be_open: bool
    needs_approval: bool
    shifts: bool
    zip3_census: int


@cache
def load_variant(name: str) -> Variant:
    """Compile the policy of that name.

    Raises InvalidInput for a variant that is not offered.
    """
    if name not in VARIANTS:
        raise InvalidInput(f"There is no export variant of that name; offered: {', '.join(VARIANTS)}.")
    policy = policy_document(name)
    places = _read(policy["restricted_zip3"])
    vocabulary: dict[str, dict[str, str]] = {}
    for row in codes().rows():
        vocabulary.setdefault(row.system, {})[row.code] = row.display
    return Variant(
        policy,
        Deidentifier(policy, vocabulary=vocabulary, restricted_zip3=places["restricted"]),
        policy["small_classes"],
        policy["k"]["controlled"],
        policy["k"]["open"],
        policy["may_be_open"],
        policy["needs_approval"],
        policy["dates"] == "shift",
        places["census"],
    )


def policy_document(name: str) -> dict[str, Any]:
    """Read ``mappings/policies/<name>.json`` together with the allow-list and the wider classes it names."""
    policy = _read(f"{name}.json")
    return _read(policy["allow_list"]) | _read(policy["wider"]) | policy


def _read(file: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(shipped("mappings", "policies", file).read_text("utf-8"))
    return document
