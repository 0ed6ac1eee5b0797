"""Bundles, one a line, posted to a running service by the command's loader."""

import json
from pathlib import Path

import httpx
import pytest
from httpx import AsyncClient

from service.cli.bundle_lines import bundles_over_http, load_bundles

pytestmark = pytest.mark.anyio


def bundle(id_: str, **more: object) -> str:
    patient = {"resourceType": "Patient", "id": id_, **more}
    entry = {"resource": patient, "request": {"method": "PUT", "url": f"Patient/{id_}"}}
    return json.dumps({"resourceType": "Bundle", "type": "transaction", "entry": [entry]})


async def test_lines_are_posted_and_a_refused_one_is_named(integrator: AsyncClient, tmp_path: Path) -> None:
    file = tmp_path / "people.ndjson"
    file.write_text("\n".join((bundle("htest-1"), bundle("htest-2", active="yes"), bundle("htest-3"))))
    loaded = await load_bundles([file], bundles_over_http(integrator))
    assert (loaded.bundles, loaded.created, loaded.others) == (2, 2, 0)
    [refused] = loaded.refused
    assert refused.startswith("people.ndjson, line 2: error: ")
    assert "active" in refused
    again = await load_bundles([file], bundles_over_http(integrator))
    assert (again.created, again.others) == (0, 2)


async def test_a_service_that_stops_answering_ends_the_load(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(request: httpx.Request) -> httpx.Response:
        raise httpx.ConnectError("nobody there", request=request)

    monkeypatch.setattr("service.cli.bundle_lines.worth_retrying", lambda _: False)
    file = tmp_path / "people.ndjson"
    file.write_text(f"{bundle('htest-1')}\n{bundle('htest-2')}")
    async with AsyncClient(transport=httpx.MockTransport(gone), base_url="http://gone.example.org") as client:
        loaded = await load_bundles([file], bundles_over_http(client))
    assert (loaded.bundles, loaded.unreachable) == (0, True)
    assert "stopped answering" in loaded.summary()
