"""Sends what changed to another FHIR R4 endpoint, once, and safe to repeat.

Per patient one transaction Bundle of conditional updates (``PUT Observation?identifier=…``), so that the
receiving end finds by business identifier what it already has. A reference to something in the same Bundle
is its fullUrl; to something delivered before, a conditional reference (FHIR R4, http.html, transaction).
A resource without a business identifier keeps its id (``PUT Provenance/…``) where the receiving end lets
clients choose ids, and is otherwise counted as left out. What is preliminary stays here (``signed.py``).
"""

import uuid
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

import stamina
from msgspec.structs import replace

from service.errors import DeliveryFailed
from service.fhir import json
from service.fhir.references import local_target, reference_texts, rewrite
from service.fhir.search_keys import extract
from service.jobs.http_client import Client, HTTPStatusError, Response, TransportError, worth_retrying
from service.jobs.ledger import Ledger
from service.jobs.signed import Change, sendable
from service.store.contract import Store, Version

__all__ = ["NOTHING_LEFT", "PRELIMINARY", "Delivered", "push"]

PRELIMINARY = "preliminary until it is signed"
NOTHING_LEFT = "deletions of what was erased or aged out here: nothing tells how the receiving end knows it"


@dataclass(slots=True)
class Delivered:
    """What one push did: transactions sent, resources in them, resources that could not be sent."""

    transactions: int = 0
    resources: int = 0
    left_out: int = 0
    reasons: dict[str, int] = field(default_factory=dict)

    def leave_out(self, reason: str, count: int = 1) -> None:
        """Count resources that were not sent."""
        if count:
            self.left_out += count
            self.reasons[reason] = self.reasons.get(reason, 0) + count


@dataclass(frozen=True, slots=True)
class _Item:
    version: Version
    tree: dict[str, Any]
    url: str
    full_url: str


async def push(
    store: Store,
    client: Client,
    ledger: Ledger,
    *,
    attempts: int = 6,
    on_progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> Delivered:
    """Send every patient's changes that the ledger does not show as delivered.

    Args:
        store: where the changes are read from.
        client: connected to the receiving FHIR base.
        ledger: what that base acknowledged before.
        attempts: tries per transaction before giving up; waits grow, ``Retry-After`` is obeyed.
        on_progress: called with patients done and patients in all.

    Raises:
        DeliveryFailed: the receiving end refused a transaction or did not answer; what was acknowledged
            before stays acknowledged.
    """
    keeps_ids = await _types_that_keep_ids(client, attempts)
    result = Delivered()
    waiting, newest = await _undelivered(store, ledger, result)
    for done, (patient, versions) in enumerate(waiting.items(), 1):
        changes = [Change(one, await _tree(store, one)) for one in versions]
        changes, kept = await sendable(store, patient, changes)
        result.leave_out(PRELIMINARY, kept)
        items = [item for change in changes if (item := _item(change, keeps_ids, result))]
        if items:
            await _send(client, await _transaction(store, items), attempts)
            result.transactions += 1
            result.resources += len(items)
        ledger.acknowledge(patient, max(version.sequence for version in versions))
        on_progress(done, len(waiting))
    ledger.complete(newest)
    return result


async def _undelivered(
    store: Store, ledger: Ledger, result: Delivered
) -> tuple[dict[str, list[Version]], int]:
    """Changes by patient, those of no patient (people, forms) first, each in order of writing.

    The second answer is the sequence of the newest change seen.
    """
    found: dict[str, list[Version]] = {}
    newest = ledger.everything
    async for version in store.changes(ledger.everything):
        newest = version.sequence
        if not (await _last_content(store, version)).content:
            result.leave_out(NOTHING_LEFT)
            continue
        patient = await _patient(store, await _tree(store, version))
        if version.sequence > ledger.delivered(patient):
            # The text is read again when it is sent: a large store's changes do not fit in memory.
            found.setdefault(patient, []).append(replace(version, content=b""))
    return dict(sorted(found.items(), key=lambda entry: entry[0] != "")), newest


async def _patient(store: Store, tree: dict[str, Any]) -> str:
    """Whose resource it is; one of nobody (Provenance) goes with the patient of what it refers to."""
    own = extract(tree).patient
    for reference in () if own else reference_texts(tree):
        stored = await _stored(store, reference)
        if stored and (other := extract(json.reread(stored.content)).patient):
            return other
    return own


async def _stored(store: Store, reference: str) -> Version | None:
    """What a reference to this service's own resource points at, unless it was deleted."""
    type_, _, id_ = local_target(reference).partition("/")
    stored = await store.read(type_, id_) if id_ else None
    return None if stored is None or stored.deleted else stored


async def _last_content(store: Store, version: Version) -> Version:
    """The version as stored, or for a deletion the one before it."""
    number = version.version - 1 if version.deleted else version.version
    stored = await store.vread(version.type, version.id, number)
    return stored or version


async def _tree(store: Store, version: Version) -> dict[str, Any]:
    """What the version says, or for a deletion the one before it."""
    return json.reread((await _last_content(store, version)).content)


def _item(change: Change, keeps_ids: frozenset[str], result: Delivered) -> _Item | None:
    version, tree = change.version, change.tree
    criterion = _criterion(tree)
    if not criterion and version.type not in keeps_ids:
        result.leave_out(f"{version.type} without an identifier")
        return None
    url = f"{version.type}?{criterion}" if criterion else f"{version.type}/{version.id}"
    return _Item(version, tree, url, uuid.uuid5(uuid.NAMESPACE_URL, url).urn)


def _criterion(tree: dict[str, Any]) -> str:
    """``identifier=system|value`` of the first complete business identifier, or nothing."""
    identifiers = tree.get("identifier", [])
    for identifier in identifiers if isinstance(identifiers, list) else [identifiers]:
        if identifier.get("system") and identifier.get("value"):
            return "identifier=" + quote(f"{identifier['system']}|{identifier['value']}", safe="")
    return ""


async def _transaction(store: Store, items: list[_Item]) -> bytes:
    inside = {f"{item.version.type}/{item.version.id}": item.full_url for item in items}
    outside = await _conditional_references(store, items, inside)
    return json.dump(
        {
            "resourceType": "Bundle",
            "type": "transaction",
            "entry": [_entry(item, inside | outside) for item in items],
        }
    )


def _entry(item: _Item, renamed: dict[str, str]) -> dict[str, Any]:
    if item.version.deleted:
        return {"request": {"method": "DELETE", "url": item.url}}
    # Versions have other numbers at the other end: what names one (a Provenance) names the resource there.
    tree = {**rewrite(item.tree, lambda address: renamed.get(local_target(address) or address, address))}
    tree["meta"] = {k: v for k, v in tree["meta"].items() if k not in ("versionId", "lastUpdated")}
    if not tree["meta"]:
        del tree["meta"]
    if "?" in item.url:
        del tree["id"]
    return {"fullUrl": item.full_url, "resource": tree, "request": {"method": "PUT", "url": item.url}}


async def _conditional_references(store: Store, items: list[_Item], inside: dict[str, str]) -> dict[str, str]:
    """For each stored resource referred to but not sent along, the search that finds it at the other end."""
    wanted = {local_target(text) or text for item in items for text in reference_texts(item.tree)}
    found = {}
    for reference in wanted - inside.keys():
        stored = await _stored(store, reference)
        if stored and (criterion := _criterion(json.reread(stored.content))):
            found[reference] = f"{stored.type}?{criterion}"
    return found


async def _types_that_keep_ids(client: Client, attempts: int) -> frozenset[str]:
    """Types for which the receiving end says ``updateCreate``; it must say ``transaction`` as well."""
    response = await _asked(lambda: client.get(f"{_base(client)}/metadata"), attempts)
    try:
        (rest,) = [rest for rest in response.json()["rest"] if rest["mode"] == "server"]
        interactions = {interaction["code"] for interaction in rest.get("interaction", ())}
        kept = frozenset(resource["type"] for resource in rest["resource"] if resource.get("updateCreate"))
    except (ValueError, KeyError, TypeError) as error:
        raise DeliveryFailed("The address does not answer with a FHIR CapabilityStatement.") from error
    if "transaction" not in interactions:
        raise DeliveryFailed("The receiving end does not take transactions.")
    return kept


async def _send(client: Client, bundle: bytes, attempts: int) -> None:
    headers = {"Content-Type": "application/fhir+json", "Prefer": "return=minimal"}
    await _asked(lambda: client.post(_base(client), content=bundle, headers=headers), attempts)


def _base(client: Client) -> str:
    return str(client.base_url).rstrip("/")


async def _asked(request: Callable[[], Awaitable[Response]], attempts: int) -> Response:
    """The answer to a request repeated while repeating may help."""
    try:
        async for attempt in stamina.retry_context(on=worth_retrying, attempts=attempts, timeout=None):
            with attempt:
                response = await request()
                response.raise_for_status()
    except HTTPStatusError as error:
        raise DeliveryFailed(_refusal(error.response)) from None
    except TransportError as error:
        raise DeliveryFailed(f"The receiving end did not answer ({type(error).__name__}).") from None
    return response


def _refusal(response: Response) -> str:
    """Status and issue codes; not the remote texts, which may quote what a patient's record holds."""
    try:
        codes = [
            f"{issue['code']} at {', '.join(issue.get('expression', ['?']))}"
            for issue in response.json()["issue"]
        ]
    except (ValueError, KeyError, TypeError):
        codes = []
    said = f": {'; '.join(codes)}" if codes else ""
    return f"The receiving end answered {response.status_code}{said}."
