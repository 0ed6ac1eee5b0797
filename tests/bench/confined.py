"""What it costs that a caller reaches their own patients alone: reads by id from address to answer.

The baseline is the same application asked by the same caller, whose calls are handed the whole store, as
calls of entries are handed the transaction of their Bundle. Log and audit trail, whose flush to disk is many
times as long, are in neither.
"""

import time
from collections.abc import Awaitable, Callable, MutableMapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from starlette.types import ASGIApp

from service.app import create_app
from service.rest.call import WITHIN
from service.rest.front import Front
from service.rest.routes import FHIR_ROUTES
from service.security.development_issuer import DevelopmentIssuer
from service.store.contract import Query
from tests.bench.measure import Row, alternately
from tests.bench.people import bench, uploads

__all__ = ["confined_reads"]

SHARE = 0.9
"""Confined reads reach at least so much of the rate without authorization."""
_READS = 200
Ask = Callable[[str, str], Awaitable[None]]
"""Reads an address with a token."""


async def confined_reads(folder: Path, rounds: int) -> list[Row]:
    """One row for each kind of caller."""
    async with bench(folder / "confined") as place:
        for upload in uploads(2):
            await place.accept(upload)
        found = (await place.store.search(Query("Observation", count=500, total="none"))).versions
        patient = found[0].patient
        ids = [one.id for one in found if one.patient == patient][:_READS]
        (team, *_) = (await place.store.search(Query("CareTeam", count=1, total="none"))).versions
        person = team.content.decode().partition('"reference":"Practitioner/')[2].partition('"')[0]
        app = create_app(place.settings.model_copy(update={"development_issuer": True}), place.store)
        issuer = DevelopmentIssuer(place.settings.data_dir)
        sign = partial(issuer.sign, "bench", now=time.time())
        front = Front(FHIR_ROUTES, app.others, longest=place.settings.max_address_bytes)
        async with app.router.lifespan_context(app):
            asks = [partial(_read, front, {"app": app, **more}) for more in ({}, {WITHIN: place.store})]
            return [
                await _row("patient/", asks, sign("patient/*.rs", patient=patient), ids, rounds),
                await _row("user/", asks, sign("user/*.rs", fhir_user=f"Practitioner/{person}"), ids, rounds),
                await _row("system/", asks, sign("system/*.rs"), ids, rounds),
            ]


async def _row(level: str, asks: Sequence[Ask], token: str, ids: list[str], rounds: int) -> Row:
    async def reads(ask: Ask) -> None:
        for id_ in ids:
            await ask(token, f"/fhir/Observation/{id_}")

    ours, theirs = await alternately(*(partial(reads, ask) for ask in asks), rounds=rounds)
    count = len(ids)
    return Row(
        f"read by id with a {level} scope, kept to whom it reaches",
        "the same without authorization",
        [one / count for one in ours],
        [one / count for one in theirs],
        limit=1 / SHARE,
    )


async def _read(front: ASGIApp, more: MutableMapping[str, Any], token: str, path: str) -> None:
    sent: list[int] = []

    async def send(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            sent.append(message["status"])

    async def receive() -> MutableMapping[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    await front({**_scope(token, path), **more}, receive, send)
    if sent != [200]:
        raise AssertionError(f"{path} is not reached: {sent}")


def _scope(token: str, path: str) -> MutableMapping[str, Any]:
    return {
        "type": "http",
        "http_version": "1.1",
        "method": "GET",
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "query_string": b"",
        "scheme": "http",
        "server": ("127.0.0.1", 80),
        "client": ("127.0.0.1", 1),
        "headers": [(b"host", b"127.0.0.1"), (b"authorization", b"Bearer " + token.encode())],
    }
