"""``validate``: whether files hold valid FHIR R4."""

import json
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import click
from tqdm import tqdm

from service import __version__
from service.cli.validating import Asked, Judge, Judged, judged
from service.cli.validation_forms import forms_among
from service.cli.validation_units import files_of
from service.errors import InvalidInput, Issue, Severity
from service.fhir.guide_package import GUIDE_NAME
from service.fhir.json import dump
from service.fhir.outcome import operation_outcome

__all__ = ["validate"]

_FILE = "http://hl7.org/fhir/StructureDefinition/operationoutcome-file"
_ALWAYS = ("FHIR R4 4.0.1", f"{GUIDE_NAME} {__version__}")
"""What is always known: the standard, and our own guide."""
_ERRORS = frozenset({Severity.FATAL, Severity.ERROR})


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option("--profile", "profiles", multiple=True, help="Canonical address of a profile; may be repeated.")
@click.option(
    "--guide",
    "guides",
    multiple=True,
    type=click.Path(exists=True, path_type=Path),
    help="Package (.tgz) or folder with the definitions of profiles and value sets; may be repeated.",
)
@click.option(
    "--format",
    "format_",
    type=click.Choice(["text", "json", "outcome"]),
    default="text",
    help="A line per problem (text), or a line of JSON per resource: plain, or as OperationOutcome.",
)
@click.option("--second-opinion", "second", is_flag=True, help="Add what the library fhir.resources finds.")
@click.option("--jobs", type=click.IntRange(1, 64), default=1, help="Processes that work at the same time.")
def validate(  # noqa: PLR0913, PLR0917 - its options
    files: tuple[Path, ...],
    profiles: tuple[str, ...],
    guides: tuple[Path, ...],
    format_: str,
    second: bool,
    jobs: int,
) -> None:
    """Validate FHIR R4 in JSON, XML and NDJSON files; folders are searched.

    Answers to a form are compared with it where it is among the files, of a guide, contained, or shipped.
    Ends with 0 if there is no error, with 1 if there are errors, with 2 if something can't be read.
    """
    try:
        paths = files_of(files)
        judge = Judge(Asked(profiles, guides, second, forms_among(paths)))
        counts = _told(judged(paths, judge, jobs), len(paths), _FORMATS[format_])
    except (InvalidInput, ValueError) as error:
        raise click.UsageError(str(error)) from None
    click.echo(f"Held against {', '.join((*_ALWAYS, *judge.guides))}.", err=True)
    click.echo(counts.sentence(), err=True)
    sys.exit(counts.status())


class _Counts:
    def __init__(self) -> None:
        self.files: set[Path] = set()
        self.resources = self.errors = self.warnings = self.unreadable = 0

    def add(self, one: Judged) -> None:
        self.files.add(one.path)
        self.resources += one.readable
        self.unreadable += not one.readable
        self.errors += sum(issue.severity in _ERRORS for issue in one.issues)
        self.warnings += sum(issue.severity == Severity.WARNING for issue in one.issues)

    def sentence(self) -> str:
        found = f"{self.resources} resources in {len(self.files)} files: "
        found += f"{self.errors} errors, {self.warnings} warnings."
        return found + (f" {self.unreadable} could not be read." if self.unreadable else "")

    def status(self) -> int:
        return 2 if self.unreadable else 1 if self.errors else 0


def _told(
    results: Iterable[tuple[Path, list[Judged]]], total: int, lines_of: Callable[[Judged], list[str]]
) -> _Counts:
    counts = _Counts()
    with tqdm(total=total, unit="file", disable=not sys.stderr.isatty(), leave=False) as bar:
        last: Path | None = None
        for path, found in results:
            for one in found:
                counts.add(one)
                for line in lines_of(one):
                    bar.write(line, file=sys.stdout)
            bar.update(path != last)
            last = path
    return counts


def _as_text(one: Judged) -> list[str]:
    return [_line(one, issue) for issue in one.issues]


def _line(one: Judged, issue: Issue) -> str:
    place = issue.place
    where = f"{one.path}:{place.line or one.line}:{place.column or 1}"
    words = (where, str(issue.severity), issue.rule or str(issue.code), place.expression)
    return f"{' '.join(word for word in words if word)}: {issue.message}"


def _as_json(one: Judged) -> list[str]:
    issues = [
        {
            "severity": issue.severity,
            "code": issue.code,
            "rule": issue.rule,
            "expression": issue.place.expression,
            "line": issue.place.line,
            "column": issue.place.column,
            "message": issue.message,
        }
        for issue in one.issues
    ]
    found = {"file": str(one.path), "line": one.line, "resourceType": one.type, "id": one.id}
    return [json.dumps({**found, "readable": one.readable, "valid": one.valid, "issues": issues})]


def _as_outcome(one: Judged) -> list[str]:
    outcome = operation_outcome(one.issues)
    file = {"url": _FILE, "valueString": str(one.path)}
    return [dump({"resourceType": outcome.pop("resourceType"), "extension": [file], **outcome}).decode()]


_FORMATS = {"text": _as_text, "json": _as_json, "outcome": _as_outcome}
