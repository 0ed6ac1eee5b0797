"""The commands that merge two people and take it back."""

from click.testing import CliRunner
from demo_store import PATIENTS, Demo

from service.cli import main


def run(*words):
    done = CliRunner().invoke(main, ["patient", *words])
    return done.exit_code, done.output


def test_two_people_are_merged_and_parted_again(tmp_path, monkeypatch):
    demo = Demo.of(tmp_path, "demo-01-evaluation-1", "demo-02-evaluation-1")
    first, second = demo.patient("demo-01"), demo.patient("demo-02")
    demo.run(demo.store.close())
    (tmp_path / "store.sqlite").rename(tmp_path / "swallow.sqlite")
    for rest in tmp_path.glob("store.*"):
        rest.unlink()
    monkeypatch.setenv("SWALLOW_DATA_DIR", str(tmp_path))
    code, said = run("merge", f"{PATIENTS}|demo-01", f"{PATIENTS}|demo-02")
    assert (code, said) == (0, f"Patient/{second} was merged into Patient/{first}.\n")
    assert run("unmerge", second, first)[0] == 1
    code, said = run("unmerge", f"{PATIENTS}|demo-02", second)
    assert (code, said) == (0, f"Patient/{second} stands by itself again.\n")
    assert "not merged" in run("unmerge", first, second)[1]
