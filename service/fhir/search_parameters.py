"""The search parameters of each type (FHIR R4 searchparameter-registry.html), and the compartments.

Data, made from the published definitions by ``tools/definitions_search.py``; each is really indexed.
"""

import json
from collections.abc import KeysView
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

__all__ = [
    "Kind",
    "Parameter",
    "code_system",
    "common_parameters",
    "compartment",
    "compartments",
    "is_owned",
    "parameters",
    "patient_parameter",
    "stored_types",
]

Kind = Literal[
    "token", "reference", "date", "string", "number", "quantity", "uri", "composite", "id", "updated"
]
"""The standard's types; ``id`` and ``updated`` are ``_id`` and ``_lastUpdated``, which need no keys."""

_OWN_KINDS: dict[str, Kind] = {"_id": "id", "_lastUpdated": "updated"}
_WIDE_TYPES = frozenset({"Patient"})
_WIDE_NAMES = frozenset({"identifier", "_security"})
_WIDE = frozenset({"Goal.lifecycle-status", "Goal.achievement-status", "Encounter.date"})


@dataclass(frozen=True, slots=True)
class Parameter:
    """One search parameter of one type.

    ``name`` is what the caller writes. ``indexes`` are what its keys are filed under: its own, or those of
    the parameters that find the same (``Observation.subject`` serves ``patient``, ``code`` and
    ``component-code`` serve ``combo-code``); ``filed`` tells the first case. ``targets`` are the types a
    reference may name. ``parts`` are the two parameters of a composite. ``wide`` ones are filed for searches
    that name no patient.
    """

    name: str
    kind: Kind
    expression: str
    url: str
    indexes: tuple[str, ...]
    filed: bool = True
    targets: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    wide: bool = False


@cache
def parameters(type_: str) -> dict[str, Parameter]:
    """Answer the parameters of a stored type by name, those of every type first."""
    own = {name: _parameter(type_, name, row) for name, row in _rows()[type_].items()}
    return {**common_parameters(type_), **own}


@cache
def common_parameters(type_: str) -> dict[str, Parameter]:
    """Answer the parameters every type has (``_id``, ``_tag`` …), as they are filed for ``type_``."""
    return {name: _parameter(type_, name, row, "Resource") for name, row in _rows()["Resource"].items()}


@cache
def stored_types() -> KeysView[str]:
    """Answer the resource types this service stores."""
    return {type_: None for type_ in _rows() if type_ != "Resource"}.keys()


@cache
def compartments() -> tuple[str, ...]:
    """Answer the types that have a compartment of stored types."""
    return tuple(name for name, members in _read("compartments").items() if members)


@cache
def compartment(name: str) -> dict[str, tuple[Parameter, ...]]:
    """Answer the types in a compartment (``Patient``, ``Encounter`` …), and what puts a resource there.

    Empty for a type that has no compartment; nothing puts the resource there whose compartment it is.
    """
    table: dict[str, list[str]] = _read("compartments").get(name, {})
    return {
        type_: tuple(parameters(type_)[one] for one in names if one != "{def}")
        for type_, names in table.items()
    }


@cache
def patient_parameter(type_: str) -> Parameter | None:
    """Answer the parameter by which a type in the patient compartment says whose it is, None for none."""
    if type_ not in compartment("Patient"):
        return None
    table = parameters(type_)
    own = table.get("patient") or table.get("subject")
    return own if own and "Patient" in own.targets else None


@cache
def is_owned(type_: str) -> bool:
    """Whether resources of a type are about a patient: they say whose they are, or are a Patient."""
    return type_ == "Patient" or patient_parameter(type_) is not None


@cache
def code_system(path: str) -> str:
    """Answer the code system of an element of type code (``Observation.status``), empty for several."""
    systems: dict[str, str] = _read("element_systems")
    return systems.get(path, "")


@cache
def _rows() -> dict[str, dict[str, dict[str, Any]]]:
    rows: dict[str, dict[str, dict[str, Any]]] = _read("search_parameters")
    return rows


@cache
def _read(name: str) -> Any:
    return json.loads((Path(__file__).parent / "definitions" / f"{name}.json").read_text("utf-8"))


def _parameter(type_: str, name: str, row: dict[str, Any], owner: str = "") -> Parameter:
    owner = owner or type_
    shared = row.get("same_as", [])
    indexes = tuple(f"{owner}.{one}" for one in shared or [name])
    return Parameter(
        name,
        _OWN_KINDS.get(name, row["type"]),
        row["expression"],
        row["url"],
        indexes,
        not shared and row["type"] != "composite",
        tuple(row.get("target", ())),
        tuple(row.get("component", ())),
        type_ in _WIDE_TYPES
        or all(_is_wide(one, index) for one, index in zip(shared or [name], indexes, strict=True)),
    )


def _is_wide(name: str, index: str) -> bool:
    return name in _WIDE_NAMES or index in _WIDE
