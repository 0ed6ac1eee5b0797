"""Invented visit records in any number, for load, crash and speed tests.

Copies of the visits of demo people under other numbers; all labelled as test data.
"""

from collections.abc import Iterator
from pathlib import Path

VISITS = Path(__file__).parent.parent / "examples" / "visits"
PERSON = "demo-02"


def visit_records(patients: int) -> Iterator[tuple[str, str]]:
    """Name and YAML text of eight visits for each of ``patients`` people, in time order per person."""
    templates = [path.read_text("utf-8") for path in sorted(VISITS.glob(f"{PERSON}-visit-*.yaml"))]
    for number in range(1, patients + 1):
        for visit, text in enumerate(templates, 1):
            yield f"syn-{number:05d}-visit-{visit}.yaml", text.replace(PERSON, f"syn-{number:05d}")


def visit_record(person: str, visit: int, number: int) -> tuple[str, str]:
    """Name and YAML text of one visit of a demo person, as that of the person of another number."""
    text = (VISITS / f"{person}-visit-{visit}.yaml").read_text("utf-8")
    return f"syn-{number:05d}-visit-{visit}.yaml", text.replace(person, f"syn-{number:05d}")


def files(folder: Path, patients: int) -> list[Path]:
    """The same, written as files."""
    written = []
    for name, text in visit_records(patients):
        path = folder / name
        path.write_text(text, "utf-8")
        written.append(path)
    return written
