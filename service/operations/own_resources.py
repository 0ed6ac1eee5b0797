"""Resources of our own that travel with the program: operations, terminology, profiles, forms, measures.

They are read and found like stored ones (``store/beside.py``), and nobody can write them.
"""

from collections.abc import Mapping
from functools import cache, partial
from hashlib import sha256
from pathlib import Path

from service.fhir.confidentiality import is_labelled
from service.fhir.json import dump, parse, stamp
from service.fhir.search_keys import extract
from service.fhir.search_values import SearchKeys
from service.shipped import shipped
from service.store.beside import FIRST_SEQUENCE, Shipped
from service.store.contract import Version
from service.terminology.licensed import Licence, licensed

__all__ = ["is_own", "own_resources"]

_FOLDERS = {
    "forms": "Questionnaire",
    "measures": "Measure",
    "operations": "OperationDefinition",
    "profiles": "",
    "terminology": "",
}
"""Folders of ``mappings/``, and the type of what lies in them where the names of the files do not tell."""
_UNDATED = "2026-11-25"
"""For definitions that do not say when they last changed."""


def is_own(type_: str, id_: str) -> bool:
    """Whether a resource of this name travels with the program; nobody can write it."""
    return (type_, id_) in _files()


@cache
def own_resources(licence: Licence) -> Shipped:
    """Answer them all, as far as the operator's licence of SNOMED CT allows; once in a process."""
    return Shipped(_files().keys(), partial(_row, licence))


@cache
def _files() -> Mapping[tuple[str, str], Path]:
    """The file of each by type and id."""
    found: dict[tuple[str, str], Path] = {}
    for folder, type_ in _FOLDERS.items():
        for path in sorted(shipped("mappings", folder).glob("*.json")):
            kind, _, id_ = (type_, "", path.stem) if type_ else path.stem.partition("-")
            found[kind, id_] = path
    return found


@cache
def _row(licence: Licence, type_: str, id_: str) -> tuple[Version, SearchKeys]:
    """The one version there is; its number follows from the text, so that other texts have other numbers."""
    tree = licensed(parse(_files()[type_, id_].read_bytes()), licence)
    text = dump(tree)
    number = int(sha256(text).hexdigest()[:7], 16) + 1
    written = f"{tree.get('date', _UNDATED)}T00:00:00.000Z"
    text = stamp(text, id_=id_, version=number, last_updated=written)
    sequence = FIRST_SEQUENCE + list(_files()).index((type_, id_))
    version = Version(sequence, type_, id_, number, written, "PUT", text, labelled=is_labelled(text))
    return version, extract(tree)
