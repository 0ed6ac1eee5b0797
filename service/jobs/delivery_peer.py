"""What the FHIR endpoint at the other end says it can do (its CapabilityStatement)."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from service.errors import DeliveryFailed

__all__ = ["Peer", "peer_of"]


@dataclass(frozen=True, slots=True)
class Peer:
    """What it takes: Bundles of the kinds ``transaction`` and ``batch``, and which ``types``.

    ``keeps_ids``: clients choose the ids of these types (updateCreate). ``creates_once``: these it creates
    only if there is none with the identifier (conditionalCreate).
    """

    transaction: bool
    batch: bool
    types: frozenset[str]
    keeps_ids: frozenset[str]
    creates_once: frozenset[str]


def peer_of(statement: Any) -> Peer:
    """Read a CapabilityStatement; DeliveryFailed if it is none, or tells of no JSON of R4."""
    try:
        if not str(statement.get("fhirVersion", "4.")).startswith("4."):
            raise DeliveryFailed("The receiving end speaks another version of FHIR than R4.")
        if not any("json" in str(one) for one in statement.get("format", ("json",))):
            raise DeliveryFailed("The receiving end takes no JSON.")
        (rest,) = [one for one in statement["rest"] if one["mode"] == "server"]
        system = {one["code"] for one in rest.get("interaction", ())}
        resources = rest["resource"]
        return Peer(
            "transaction" in system,
            "batch" in system,
            frozenset(one["type"] for one in resources if _is_written(one.get("interaction"))),
            frozenset(one["type"] for one in resources if one.get("updateCreate")),
            frozenset(one["type"] for one in resources if one.get("conditionalCreate")),
        )
    except (ValueError, KeyError, TypeError) as error:
        raise DeliveryFailed("The address does not answer with a FHIR CapabilityStatement.") from error


def _is_written(interactions: Iterable[Any] | None) -> bool:
    """Whether a type can be written, as far as the statement says."""
    return not interactions or {"create", "update"} & {one["code"] for one in interactions} != set()
