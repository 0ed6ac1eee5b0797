"""Forms among the files to be validated, so that answers to them are compared with what they ask."""

from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from service.cli.validation_units import MOST_BYTES, units_of
from service.errors import InvalidInput, Issue
from service.fhir import xml
from service.fhir.forms import answer_issues, contained, form_address, shipped_forms
from service.fhir.json import Tree, parse
from service.fhir.validation.form_nodes import objects
from service.fhir.validation.profiles import Definitions

__all__ = ["forms_among", "issues_of_answers"]

_MARK = b"Questionnaire"
_MOST = 1_000
_DEEPEST = 200


def forms_among(paths: Iterable[Path]) -> tuple[Tree, ...]:
    """Answer the Questionnaires with a url in these files, also those in Bundles; at most a thousand.

    What can't be read is passed over: it is said when it is validated.
    """
    found: list[Tree] = []
    for path in paths:
        with suppress(OSError):
            for text in _texts(path):
                if _MARK in text and len(found) < _MOST:
                    found += _forms(text, is_xml=path.suffix.lower() == ".xml")
    return tuple(found[:_MOST])


def issues_of_answers(resource: Tree, forms: Iterable[Tree], definitions: Definitions) -> Iterator[Issue]:
    """How the answers of a response, or of those in a Bundle, differ from what their forms ask for.

    Forms are contained, among ``forms``, of a guide or shipped; the last of several under one address counts.
    """
    known = [*shipped_forms().values(), *definitions.all("Questionnaire"), *forms]
    inner = [
        (f"Bundle.entry[{place}].resource", entry["resource"])
        for place, entry in objects(resource, "entry")
        if isinstance(entry.get("resource"), dict)
    ]
    for at, one in (("", resource), *inner):
        if address := form_address(one):
            form = contained(one, address) if address.startswith("#") else _named(known, address)
            yield from answer_issues(one, form, definitions.member, at=at)


def _named(forms: list[Tree], address: str) -> Tree | None:
    url, _, version = address.partition("|")
    fitting = (one for one in reversed(forms) if one["url"] == url and version in {"", one.get("version")})
    return next(fitting, None)


def _texts(path: Path) -> Iterator[bytes]:
    for unit in units_of(path):
        if unit.lines is not None:
            yield from unit.lines
        elif path.stat().st_size <= MOST_BYTES:
            yield path.read_bytes()


def _forms(text: bytes, *, is_xml: bool) -> Iterator[Tree]:
    try:
        tree = (xml.parse if is_xml else parse)(text, max_depth=_DEEPEST)
    except InvalidInput:
        return
    for one in (tree, *(entry.get("resource") for _, entry in objects(tree, "entry"))):
        if (
            isinstance(one, dict)
            and one.get("resourceType") == _MARK.decode()
            and isinstance(one.get("url"), str)
        ):
            yield one
