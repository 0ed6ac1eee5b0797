"""A client of bulk exports, as the standard has one: kick-off, polling, download."""

import asyncio
import json
from typing import Any

from httpx import AsyncClient, Response

ASYNC = {"Prefer": "respond-async", "Accept": "application/fhir+json"}
Tree = dict[str, Any]


async def begun(client: AsyncClient, address: str = "$export", body: Tree | None = None) -> str:
    """Kick an export off and answer the address of its status."""
    method = "GET" if body is None else "POST"
    answer = await client.request(method, f"/fhir/{address}", json=body, headers=ASYNC)
    assert answer.status_code == 202, answer.text
    return answer.headers["Content-Location"]


async def ended(client: AsyncClient, status: str) -> Response:
    """Ask until it is neither being written nor too early to ask."""
    for _ in range(2_000):
        answer = await client.get(status)
        if answer.status_code not in {202, 429}:
            return answer
        await asyncio.sleep(0.02)
    raise AssertionError("it never ends")


async def manifest(client: AsyncClient, address: str = "$export", body: Tree | None = None) -> Tree:
    """Export, and answer the manifest."""
    answer = await ended(client, await begun(client, address, body))
    assert answer.status_code == 200, answer.text
    told: Tree = answer.json()
    return told


async def lines(client: AsyncClient, told: Tree, kind: str = "output") -> list[Tree]:
    """Everything in the files of a manifest."""
    found: list[Tree] = []
    for piece in told[kind]:
        answer = await client.get(piece["url"])
        assert answer.status_code == 200, answer.text
        texts = answer.text.splitlines()
        assert len(texts) == piece["count"]
        read = [json.loads(text) for text in texts]
        assert {one["resourceType"] for one in read} == {piece["type"]}
        found += read
    return found


async def exported(client: AsyncClient, address: str = "$export", body: Tree | None = None) -> list[Tree]:
    """Export, and answer the resources."""
    return await lines(client, await manifest(client, address, body))


def named(resources: list[Tree]) -> list[str]:
    """``Type/id`` of each, in order of text."""
    return sorted(f"{one['resourceType']}/{one['id']}" for one in resources)


def parameters(**values: Any) -> Tree:
    """A Parameters resource: lists are repeated."""
    pairs = [
        (name, one)
        for name, value in values.items()
        for one in (value if isinstance(value, list) else [value])
    ]
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": name, "valueReference": {"reference": value}}
            if name == "patient"
            else {"name": name, "valueString": value}
            for name, value in pairs
        ],
    }
