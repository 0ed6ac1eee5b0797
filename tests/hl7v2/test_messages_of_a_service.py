"""The port for messages of a running service: its settings, its counts, and what keeps it from starting."""

import asyncio
import socket
from pathlib import Path

import pytest
from adt import adt, pid
from httpx import ASGITransport, AsyncClient

from service.app import create_app
from service.cli.safety import check_safety
from service.errors import ServiceError
from service.hl7v2.acknowledgement import answer_in
from service.hl7v2.parsing import read
from service.jobs.adt_intake import systems_of
from service.jobs.mllp_frames import framed
from service.jobs.mllp_listener import networks_of
from service.settings import Settings

pytestmark = pytest.mark.anyio
TOKEN = "x" * 32


@pytest.fixture
def anyio_backend():
    return "asyncio"


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def settings(folder, **more):
    return Settings(
        data_dir=folder,
        mllp_port=free_port(),
        mllp_systems="HOSP=https://clinic.example.org/patients",
        **more,
    )


async def test_a_service_takes_messages_and_counts_them(tmp_path):
    chosen = settings(tmp_path, metrics_token=TOKEN)
    app = create_app(chosen)
    async with app.router.lifespan_context(app):
        reader, writer = await asyncio.open_connection("127.0.0.1", chosen.mllp_port)
        codes = []
        for content in (adt("A04", pid("7")), adt("A04", pid("7")), adt("A04", "PID|1", control_id="2")):
            writer.write(framed(content))
            answer = (await reader.readuntil(b"\x1c\r")).strip(b"\x0b\x1c\r")
            codes.append(answer_in(read(answer)).code)
        writer.close()
        await writer.wait_closed()
        transport = ASGITransport(app, client=("127.0.0.1", 1))
        async with AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            told = (await client.get("/metrics", headers={"Authorization": f"Bearer {TOKEN}"})).text
    assert codes == ["AA", "AA", "AE"]
    for outcome in ("taken", "repeated", "refused"):
        assert f'swallow_mllp_messages_total{{outcome="{outcome}"}} 1.0' in told


async def test_with_certificates_it_hears_those_of_its_authority(tmp_path, certificates):
    names = {"mllp_certificate": "server.pem", "mllp_key": "server.pem", "mllp_authorities": "authority.pem"}
    chosen = settings(tmp_path, **{name: str(certificates / file) for name, file in names.items()})
    app = create_app(chosen)
    async with app.router.lifespan_context(app):
        reader, writer = await asyncio.open_connection("127.0.0.1", chosen.mllp_port)
        writer.write(framed(adt("A04", pid("7"))))
        with pytest.raises((asyncio.IncompleteReadError, ConnectionError)):
            await reader.readuntil(b"\x1c\r")
        writer.close()


@pytest.mark.parametrize(
    "changes",
    [
        {"mllp_systems": "HOSP"},
        {"mllp_networks": "everybody"},
        {"mllp_certificate": "/no/such/file"},
        {"host": "192.0.2.1"},
    ],
)
async def test_a_setting_that_cannot_be_used_keeps_it_from_starting(tmp_path, changes):
    chosen = settings(tmp_path).model_copy(update=changes)
    app = create_app(chosen)
    with pytest.raises(ServiceError, match="SWALLOW_MLLP"):
        async with app.router.lifespan_context(app):
            pass


def test_beyond_this_machine_it_needs_a_certificate(tmp_path):
    chosen = Settings(
        data_dir=Path(tmp_path) / "new", host="192.0.2.1", base_url="https://x.example.org", mllp_port=1
    )
    with pytest.raises(ServiceError, match="SWALLOW_MLLP_CERTIFICATE"):
        check_safety(chosen)
    check_safety(chosen.model_copy(update={"mllp_certificate": "/etc/mllp.pem"}))


def test_settings_in_words():
    assert systems_of("A=urn:a *=urn:b") == {"A": "urn:a", "*": "urn:b"}
    assert [str(one) for one in networks_of("10.0.0.0/8 ::1")] == ["10.0.0.0/8", "::1/128"]
