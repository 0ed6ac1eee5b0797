"""The documents keep up with the code."""

import re
import tomllib
from pathlib import Path

from service.cli import main
from service.settings import Settings

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
MAKEFILE = (ROOT / "Makefile").read_text("utf-8")


def test_every_setting_stands_with_its_default_and_purpose():
    rows = [
        f"| `SWALLOW_{name.upper()}` | `{field.default}` | {field.description} |"
        for name, field in Settings.model_fields.items()
    ]
    assert [row for row in rows if row not in DEVELOPERS] == []


def test_every_command_is_in_the_readme():
    assert [name for name in main.commands if f"swallow-interop {name}" not in README] == []


def test_every_dependency_has_its_reason():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["dev"]]
    names = [re.split(r"[><=\[]", one)[0] for one in wanted]
    assert [name for name in names if name not in DEVELOPERS] == []


def test_every_room_is_described():
    rooms = {path.name for path in (ROOT / "service").iterdir() if (path / "__init__.py").exists()}
    assert [room for room in sorted(rooms) if f"`{room}/`" not in DEVELOPERS] == []


def test_every_make_target_named_in_the_documents_exists():
    named = set(re.findall(r"`?make ([.\w/-]+)", README + DEVELOPERS))
    fetched = {".cache/r4-core", ".cache/r4-examples", ".cache/r4-expansions"}
    targets = set(re.findall(r"^([.\w/-]+):", MAKEFILE, re.MULTILINE)) | fetched
    assert named - targets == set()


def test_every_test_named_against_a_threat_exists():
    named = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?` \|$", DEVELOPERS, re.MULTILINE)
    assert len(named) == len(re.findall(r"^\| [STRIDE] \|", DEVELOPERS, re.MULTILINE)), "one for each row"
    assert set(re.findall(r"^\| ([A-Z]) \|", DEVELOPERS, re.MULTILINE)) == set("STRIDE")
    assert [
        (path, test) for path, test in named if f"def {test}" not in (ROOT / path).read_text("utf-8")
    ] == []
