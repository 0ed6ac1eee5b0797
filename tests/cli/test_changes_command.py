"""``changes``: what an amendment changed, told by the command."""

import json

from click.testing import CliRunner
from sample_visits import visit_tree

from service.cli import main

RECORD = "https://clinic.example.org/visit-records|demo-05-evaluation-1"
SIGNED = {"state": "signed", "signed_at": "2026-11-20T12:00Z"}


def test_an_amended_visit_is_told_part_by_part(tmp_path):
    tree = visit_tree("demo-05-evaluation-1")
    assert tree["function"].pop("weight_kg")

    def run(*words):
        ended = CliRunner().invoke(main, [*words, "--data-dir", str(tmp_path / "data")])
        assert ended.exit_code == 0, ended.output
        return ended.output

    def take(**changes):
        path = tmp_path / "record.json"
        path.write_text(json.dumps(tree | changes, default=str), "utf-8")
        run("load", str(path))

    take(signature=SIGNED)
    assert run("changes", RECORD) == "Nothing was amended, or what was signed is no longer kept.\n"
    tree["function"]["weight_kg"] = 71
    take(signature={"state": "amended", "reason": "weight was left out"})
    first, *lines = run("changes", RECORD).splitlines()
    assert first.startswith("Signed 2026-11-20T12:00:00+00:00 as Encounter/")
    assert any(line.startswith("added Observation/") and "Body weight" in line for line in lines)
    assert "  valueQuantity.value: nothing -> 71" in lines
    told = json.loads(run("changes", RECORD, "--json"))
    assert [one["name"] for one in told["parameter"][:2]] == ["signed", "signedAt"]
