"""The published OpenAPI document is the one the application serves."""

import json
from typing import Any

import pytest
from fastapi import FastAPI
from httpx import AsyncClient

from service.fhir.patch import PATCH_FORMATS
from service.rest.dispatch import OPEN
from service.rest.routes import API_ROUTES, FHIR_ROUTES
from service.shipped import shipped

pytestmark = pytest.mark.anyio

XML = "application/fhir+xml"


async def test_the_file_in_the_repository_equals_the_served_document(stranger: AsyncClient) -> None:
    published = json.loads(shipped("openapi", "openapi.json").read_text("utf-8"))
    served = (await stranger.get("/openapi.json")).json()
    # Compared outside assert: the runner would take minutes to describe how two such documents differ.
    up_to_date = published == served
    assert up_to_date, "openapi/openapi.json is out of date: run 'make openapi'"


async def test_every_row_of_the_route_table_is_described(app: FastAPI) -> None:
    document = app.openapi()
    for row in [*FHIR_ROUTES, *API_ROUTES]:
        if row.path == "/fhir/":
            continue  # the base again, for clients that end it with a slash
        operation: dict[str, Any] = document["paths"][row.path][row.method.lower()]
        assert operation["summary"]
        assert operation["tags"]
        if row in FHIR_ROUTES and row.docs:
            continue  # of OAuth, whose answers are not FHIR's
        for failed in ("4XX", "503"):
            formats = {"application/fhir+json"} | ({XML} if row.path.startswith("/fhir") else set())
            assert operation["responses"][failed]["content"].keys() == formats
        assert "422" not in operation["responses"], "FastAPI's own error shape is never answered"
        wanted = [{"token": needs.split()} for needs in row.needs]
        assert operation.get("security", []) == (wanted if row.needs != OPEN else [])


async def test_bodies_are_described_in_every_format_that_is_read(app: FastAPI) -> None:
    paths = app.openapi()["paths"]
    create = paths["/fhir/{type}"]["post"]
    assert create["requestBody"]["content"].keys() == {"application/fhir+json", XML}
    assert create["responses"]["201"]["content"].keys() == {"application/fhir+json", XML}
    for address in ("/fhir/{type}", "/fhir/{type}/{id}"):
        patch = paths[address]["patch"]["requestBody"]["content"].keys()
        assert patch == set(PATCH_FORMATS) - {"application/json"}


async def test_operation_ids_are_unique_and_references_resolve(app: FastAPI) -> None:
    document = app.openapi()
    operations = [operation for path in document["paths"].values() for operation in path.values()]
    ids = [operation["operationId"] for operation in operations]
    assert len(ids) == len(set(ids))
    for piece in json.dumps(document).split('"#/components/schemas/')[1:]:
        assert piece.partition('"')[0] in document["components"]["schemas"]
