"""A service killed while it makes the rows of the list leaves none that is wrong; the next makes the rest."""

import time

import httpx
import pytest
from invented_visits import files
from processes import run, serving, token

PATIENTS = 3


@pytest.fixture(params=["sqlite", "postgres"])
def engine(request, monkeypatch):
    """The setting by which the service finds its database."""
    if request.param == "postgres":
        monkeypatch.setenv("SWALLOW_DATABASE_URL", request.getfixturevalue("database_url"))


@pytest.mark.usefixtures("engine")
def test_rows_are_made_by_the_next_service(tmp_path, monkeypatch):
    monkeypatch.setenv("SWALLOW_CLINICIAN_REACH", "everybody")
    files(tmp_path, PATIENTS)
    run("load", tmp_path, "--data-dir", tmp_path / "data")
    arguments = ("serve", "--port", "0", "--development-issuer", "--data-dir", tmp_path / "data")
    signed = {"Authorization": f"Bearer {token(tmp_path / 'data', 'clinician').read_text().strip()}"}
    with serving(*arguments) as server:
        server.kill()
    with serving(*arguments) as server:
        end = time.monotonic() + 60
        while time.monotonic() < end:
            behind = httpx.get(f"{server.url}/app?list=all&behind=yes", headers=signed, timeout=60)
            if "Nobody on this list fits" in behind.text:
                break
        page = httpx.get(f"{server.url}/app?list=all", headers=signed, timeout=60).text
    assert page.count("2 sustaining") == PATIENTS
    assert "being brought up to date" not in page
