"""What travels with the program is read and found like what is stored, whatever the database is."""

from typing import Any
from urllib.parse import quote

import pytest
from httpx import AsyncClient

from service.fhir.json import reread
from service.shipped import shipped

pytestmark = [pytest.mark.anyio, pytest.mark.conformance("D1", "F1")]

FOLDERS = ("forms", "measures", "operations", "profiles", "terminology")
TREES = [
    reread(path.read_bytes())
    for folder in FOLDERS
    for path in sorted(shipped("mappings", folder).glob("*.json"))
]
TYPES = sorted({tree["resourceType"] for tree in TREES})


def of(type_: str) -> list[dict[str, Any]]:
    return [tree for tree in TREES if tree["resourceType"] == type_]


async def found(client: AsyncClient, path: str) -> dict[str, Any]:
    answer = await client.get(f"/fhir/{path}")
    assert answer.status_code == 200, answer.text
    bundle: dict[str, Any] = answer.json()
    return bundle


def ids(bundle: dict[str, Any]) -> list[str]:
    return [one["resource"]["id"] for one in bundle.get("entry", [])]


@pytest.mark.parametrize("type_", TYPES)
async def test_each_is_found_by_what_names_it(integrator: AsyncClient, type_: str) -> None:
    for tree in of(type_):
        id_ = tree["id"]
        for name in ("url", "name", "version", "status"):
            if name in tree and f"{type_}.{name}" not in {"NamingSystem.url", "NamingSystem.version"}:
                modifier = ":exact" if name == "name" else ""
                path = f"{type_}?{name}{modifier}={quote(tree[name])}&_id={id_}"
                assert ids(await found(integrator, path)) == [id_], path
    whole = await found(integrator, f"{type_}?_count=0")
    assert whole["total"] == len(of(type_))
    assert len(TREES) > 100


async def test_stored_ones_are_found_with_them(integrator: AsyncClient) -> None:
    (url,) = {tree["url"] for tree in of("OperationDefinition") if tree["id"] == "meta"}
    (copy,) = [tree for tree in of("OperationDefinition") if tree["id"] == "meta"]
    assert (
        await integrator.put("/fhir/OperationDefinition/copy", json=copy | {"id": "copy"})
    ).status_code == 201
    bundle = await found(integrator, f"OperationDefinition?url={url}")
    assert (ids(bundle), bundle["total"]) == (["copy", "meta"], 2)
    everything = await found(integrator, "OperationDefinition?_count=0")
    assert everything["total"] == len(of("OperationDefinition")) + 1
    by_name = await found(integrator, "OperationDefinition?_sort=-code,_id&_elements=code&_count=100")
    assert ids(by_name) == sorted(
        ids(by_name), key=lambda id_: ([-ord(mark) for mark in code_of(by_name, id_)] + [1], id_)
    )


def code_of(bundle: dict[str, Any], id_: str) -> str:
    (code,) = [one["resource"]["code"] for one in bundle["entry"] if one["resource"]["id"] == id_]
    return str(code)


async def test_pages_hold_each_once(integrator: AsyncClient) -> None:
    for number in range(5):
        tree = of("ValueSet")[number] | {"id": f"mine-{number}"}
        assert (await integrator.put(f"/fhir/ValueSet/{tree['id']}", json=tree)).status_code == 201
    for sort in ("", "&_sort=name", "&_sort=-_lastUpdated", "&_sort=-url,_id"):
        address, read = f"/fhir/ValueSet?_count=7{sort}", list[str]()
        while address:
            bundle = (await integrator.get(address)).raise_for_status().json()
            read += ids(bundle)
            address = next((one["url"] for one in bundle["link"] if one["relation"] == "next"), "")
        assert len(read) == len(set(read)) == len(of("ValueSet")) + 5 == bundle["total"], sort


@pytest.mark.parametrize("type_", TYPES)
async def test_each_is_read_with_version_and_history(integrator: AsyncClient, type_: str) -> None:
    tree = of(type_)[0]
    path = f"/fhir/{type_}/{tree['id']}"
    answer = await integrator.get(path)
    body = answer.json()
    number = body["meta"]["versionId"]
    assert answer.headers["ETag"] == f'W/"{number}"'
    assert answer.headers["Last-Modified"]
    assert {name: value for name, value in body.items() if name != "meta"} == {
        name: value for name, value in tree.items() if name != "meta"
    }
    assert (await integrator.get(f"{path}/_history/{number}")).json() == body
    assert (await integrator.get(f"{path}/_history/1")).status_code == 404
    assert (await integrator.get(path, headers={"If-None-Match": f'W/"{number}"'})).status_code == 304
    history = (await integrator.get(f"{path}/_history")).json()
    assert (history["total"], ids(history)) == (1, [tree["id"]])
    for method in ("PUT", "DELETE"):
        assert (await integrator.request(method, path, json=body)).status_code == 409


async def test_conditions_match_them_and_nothing_is_written(integrator: AsyncClient) -> None:
    tree = of("ValueSet")[0]
    where = f"url={tree['url']}"
    kept = await integrator.post("/fhir/ValueSet", json=tree, headers={"If-None-Exist": where})
    assert (kept.status_code, kept.json()["id"]) == (200, tree["id"])
    changed = {name: value for name, value in tree.items() if name != "id"} | {"name": "Other"}
    assert (await integrator.put(f"/fhir/ValueSet?{where}", json=changed)).status_code == 409
    assert (await integrator.delete(f"/fhir/ValueSet?{where}")).status_code == 409
    patch = [{"op": "replace", "path": "/name", "value": "Other"}]
    kind = {"Content-Type": "application/json-patch+json"}
    assert (await integrator.patch(f"/fhir/ValueSet?{where}", json=patch, headers=kind)).status_code == 409
    assert "entry" not in await found(integrator, "_history")


async def test_bundles_read_and_find_them(integrator: AsyncClient) -> None:
    urls = ["OperationDefinition/meta", "StructureDefinition?type=Goal&_count=0", "ValueSet/effort/$expand"]
    entries = [{"request": {"method": "GET", "url": url}} for url in urls]
    for type_ in ("batch", "transaction"):
        bundle = {"resourceType": "Bundle", "type": type_, "entry": entries}
        read, searched, expanded = (await integrator.post("/fhir", json=bundle)).json()["entry"]
        assert read["resource"]["id"] == "meta"
        assert searched["resource"]["total"] == len(
            [tree for tree in of("StructureDefinition") if tree["type"] == "Goal"]
        )
        assert expanded["resource"]["expansion"]["total"] > 0


async def test_histories_and_searches_over_everything(integrator: AsyncClient) -> None:
    assert "entry" not in await found(integrator, "_history")
    assert "entry" not in await found(integrator, "OperationDefinition/_history")
    assert (await found(integrator, "?_type=NamingSystem,Patient&_count=0"))["total"] == len(
        of("NamingSystem")
    )
    assert ids(await found(integrator, "?_id=meta&_type=OperationDefinition")) == ["meta"]


async def test_they_need_the_right_to_their_type(sign: Any, integrator: AsyncClient) -> None:
    token = {"Authorization": f"Bearer {sign('system/ValueSet.rs')}"}
    assert (await integrator.get("/fhir/ValueSet", headers=token)).status_code == 200
    for path in ("OperationDefinition", "OperationDefinition/meta", "OperationDefinition/meta/_history"):
        assert (await integrator.get(f"/fhir/{path}", headers=token)).status_code == 403
