"""What the examples of running the service name exists: settings, commands, options, files, headers."""

import configparser
import json
import re
import shlex
import shutil
import subprocess
from pathlib import Path

import click
import pytest
from joserfc.jwk import ECKey

from service.cli import main
from service.security.providers import read_providers
from service.settings import Settings

ROOT = Path(__file__).parent.parent
DEPLOY = ROOT / "examples" / "deploy"
PROGRAM = "/opt/swallow-interop/bin/swallow-interop"
UNITS = sorted([*DEPLOY.glob("*.service"), *DEPLOY.glob("*.timer")])
SERVICES = [path for path in UNITS if path.suffix == ".service"]


def _unit(path: Path) -> configparser.RawConfigParser:
    unit = configparser.RawConfigParser(strict=False)
    unit.optionxform = str  # type: ignore[assignment, method-assign]
    unit.read(path, "utf-8")
    return unit


def _environment() -> dict[str, str]:
    lines = (DEPLOY / "swallow-interop.env").read_text("utf-8").splitlines()
    return dict(line.split("=", 1) for line in lines if line and not line.startswith("#"))


def test_every_setting_named_is_one():
    named = {
        name
        for path in DEPLOY.iterdir()
        for name in re.findall(r"SWALLOW_([A-Z_]+)", path.read_text("utf-8"))
    }
    known = {name.upper() for name in Settings.model_fields}
    assert {name.removesuffix("_FILE") for name in named} <= known
    assert {"DATA_DIR", "STOP_SECONDS"} <= named


def test_the_settings_can_be_read_and_leave_time_to_stop(monkeypatch):
    for name, value in _environment().items():
        monkeypatch.setenv(name, value)
    settings = Settings()
    unit = _unit(DEPLOY / "swallow-interop.service")["Service"]
    assert f"/var/lib/{unit['StateDirectory']}" == str(settings.data_dir)
    assert int(unit["TimeoutStopSec"]) > 10 + settings.stop_seconds, "10: the longest drain that is named"


def test_the_places_to_sign_in_can_be_read(tmp_path):
    shutil.copy2(DEPLOY / "providers.json", tmp_path)
    (tmp_path / "login-secret").write_text("HTEST\n")
    key = ECKey.generate_key("P-384", auto_kid=True).as_dict(private=True)
    (tmp_path / "record-key.json").write_text(json.dumps(key))
    login, record = read_providers(tmp_path / "providers.json")
    assert (login.fhir, bool(record.fhir)) == ("", True)
    assert login.role({"groups": ["swallow-therapists"]}) == "clinician"


@pytest.mark.parametrize("path", SERVICES, ids=lambda path: path.name)
def test_commands_and_options_exist(path):
    _, command = _unit(path)["Service"]["ExecStart"].split(PROGRAM)
    name, *words = shlex.split(command.rstrip("'"))
    known_as = main.commands[name]
    while isinstance(known_as, click.Group):
        known_as = known_as.commands[words.pop(0)]
    known = {option for parameter in known_as.params for option in parameter.opts}
    assert {word for word in words if word.startswith("--")} <= known


@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.name)
def test_units_are_read_by_the_system(path, tmp_path):
    """By systemd itself where it is; that each line is one of a section is looked at anywhere."""
    unit = _unit(path)
    assert unit.sections()[0] == "Unit"
    if tool := shutil.which("systemd-analyze"):
        for other in UNITS:
            text = other.read_text("utf-8").replace(PROGRAM, "/bin/true")
            (tmp_path / other.name).write_text(text, "utf-8")
        words = [tool, "verify", str(tmp_path / path.name)]
        told = subprocess.run(words, capture_output=True, text=True, check=False)  # noqa: S603
        assert path.name not in told.stderr


def test_the_proxy_states_all_that_the_service_believes_and_logs_no_address():
    text = (DEPLOY / "nginx.conf").read_text("utf-8")
    stated = set(re.findall(r"proxy_set_header X-Forwarded-(\w+)", text))
    assert stated == {"Proto", "Host", "Prefix", "For"}
    assert re.search(r"^\s*access_log off;", text, re.MULTILINE)
    assert text.count("{") == text.count("}")
    seconds = re.search(r"proxy_read_timeout (\d+)s", text)
    megabytes = re.search(r"client_max_body_size (\d+)m", text)
    assert seconds
    assert megabytes
    assert int(seconds[1]) > Settings.model_fields["answer_seconds"].default
    assert int(megabytes[1]) * 2**20 > Settings.model_fields["max_body_bytes"].default


def test_the_image_copies_what_there_is():
    text = (DEPLOY / "Containerfile").read_text("utf-8")
    sources = [word for line in re.findall(r"^COPY (.+) \S+$", text, re.MULTILINE) for word in line.split()]
    assert sources
    assert [source for source in sources if not (ROOT / source).exists()] == []
    assert 'CMD ["serve"]' in text
    assert "serve" in main.commands
