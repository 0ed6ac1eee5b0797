"""Systems are registered, listed and shut out from the command line."""

import json
import stat
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from joserfc.jwk import ECKey

from service.cli import main


@pytest.fixture
def run(tmp_path: Path) -> Callable[..., Result]:
    def command(*words: str | Path) -> Result:
        return CliRunner().invoke(main, ["client", *map(str, words), "--data-dir", str(tmp_path / "data")])

    return command


def test_a_system_is_registered_and_shut_out(run: Callable[..., Result], tmp_path: Path) -> None:
    key = tmp_path / "lab-key.json"
    added = run("add", "lab", "--role", "integrator", "--new-key", key)
    assert added.output == "lab may ask for: system/*.cruds intake\n"
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    private = ECKey.import_key(json.loads(key.read_bytes()))
    assert private.is_private
    assert run("list").output.startswith("lab  active  integrator  system/*.cruds intake  keys on file  2")
    assert "within 10 seconds" in run("disable", "lab").output
    assert run("list").output.startswith("lab  disabled")


def test_keys_come_from_a_file_or_an_address(run: Callable[..., Result], tmp_path: Path) -> None:
    file = tmp_path / "jwks.json"
    key = ECKey.generate_key("P-384", auto_kid=True)
    file.write_text(json.dumps({"keys": [key.as_dict(private=False)]}))
    assert run("add", "one", "--role", "auditor", "--jwks", file).exit_code == 0
    scope = ("--scope", "system/Goal.rs")
    added = run("add", "two", "--role", "integrator", *scope, "--jwks-url", "https://two.example.org/jwks")
    assert added.output == "two may ask for: system/Goal.rs\n"
    assert "https://two.example.org/jwks" in run("list").output


def test_what_can_not_be_registered_leaves_nothing(run: Callable[..., Result], tmp_path: Path) -> None:
    key = tmp_path / "key.json"
    refused = run("add", "study", "--role", "researcher", "--scope", "system/*.rs", "--new-key", key)
    assert refused.exit_code == 1
    assert "not the role's" in refused.output
    assert not key.exists()
    assert run("list").output == ""


@pytest.mark.parametrize(
    "given",
    [
        (),
        ("--new-key", "a", "--jwks-url", "https://two.example.org"),
        ("--jwks-url", "http://two.example.org"),
        ("--jwks-url", "file:///etc/passwd"),
    ],
    ids=str,
)
def test_keys_are_given_once_and_safely(run: Callable[..., Result], given: tuple[str, ...]) -> None:
    assert run("add", "lab", "--role", "integrator", *given).exit_code == 2


def test_a_key_file_is_never_written_over(run: Callable[..., Result], tmp_path: Path) -> None:
    key = tmp_path / "key.json"
    key.write_text("kept")
    assert run("add", "lab", "--role", "integrator", "--new-key", key).exit_code == 2
    assert key.read_text() == "kept"


def test_signing_keys_are_changed(tmp_path: Path) -> None:
    for words, said in (([], "stay good"), (["--revoke"], "are refused")):
        ran = CliRunner().invoke(main, ["keys", "rotate", *words, "--data-dir", str(tmp_path)])
        assert said in ran.output


def test_callers_of_other_issuers_are_refused_and_taken_back(run: Callable[..., Result]) -> None:
    issuer = "https://login.example.org"
    assert run("refuse", issuer, "app").output == f"Tokens of {issuer} for app are refused.\n"
    assert "believed again" in run("refuse", issuer, "app", "--hours", "0").output
