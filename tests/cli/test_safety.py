"""Settings with which the service does not start; each refusal names the setting."""

from pathlib import Path
from typing import Any

import pytest

from service.cli.safety import check_safety
from service.errors import ServiceError
from service.settings import Settings

OPEN = {"host": "0.0.0.0", "base_url": "https://fhir.example.org"}  # noqa: S104 - what is tried
URL = "postgresql://swallow:Quetzalcoatl@{}/swallow{}"


def settings(folder: Path, **changes: Any) -> Settings:
    return Settings(data_dir=folder / "data", **changes)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"host": "::1"},
        OPEN,
        {"host": "192.0.2.7", "trust_forwarded": True},
        {"cors_origins": "https://app.example.org"},
        {"database_url": URL.format("127.0.0.1", "")},
        {"database_url": "postgresql:///swallow?host=/run/postgresql"},
        {"database_url": URL.format("db.example.org", "?sslmode=verify-full")},
        {"metrics_token": "f" * 32},
        {"development_issuer": True, "cors_origins": "*"},
    ],
    ids=str,
)
def test_safe_settings_start(changes: dict[str, Any], tmp_path: Path) -> None:
    check_safety(settings(tmp_path, **changes))


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        ({"cors_origins": "*"}, "SWALLOW_CORS_ORIGINS"),
        ({"cors_origins": "https://app.example.org *"}, "SWALLOW_CORS_ORIGINS"),
        ({"host": "0.0.0.0"}, "SWALLOW_BASE_URL"),  # noqa: S104 - what is tried
        ({"host": "192.0.2.7", "base_url": "http://fhir.example.org"}, "SWALLOW_BASE_URL"),
        ({"database_url": URL.format("db.example.org", "")}, "SWALLOW_DATABASE_URL"),
        ({"metrics_token": "Quetzalcoatl"}, "SWALLOW_METRICS_TOKEN"),
        ({"database_url": URL.format("10.0.0.5:5432", "?sslmode=prefer")}, "SWALLOW_DATABASE_URL"),
    ],
    ids=str,
)
def test_unsafe_settings_are_named(changes: dict[str, Any], name: str, tmp_path: Path) -> None:
    with pytest.raises(ServiceError, match=f"^{name}: ") as refused:
        check_safety(settings(tmp_path, **changes))
    assert "Quetzalcoatl" not in str(refused.value)


def test_a_data_folder_that_others_read_is_named(tmp_path: Path) -> None:
    chosen = settings(tmp_path, **OPEN)
    chosen.data_dir.mkdir(mode=0o700)
    check_safety(chosen)
    chosen.data_dir.chmod(0o755)
    with pytest.raises(ServiceError, match=r"^SWALLOW_DATA_DIR: "):
        check_safety(chosen)


def test_every_problem_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(ServiceError, match=r"SWALLOW_CORS_ORIGINS.*SWALLOW_BASE_URL"):
        check_safety(settings(tmp_path, host="192.0.2.7", cors_origins="*"))
