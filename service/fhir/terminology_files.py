"""Terminology that travels with the program: R4's own, and ``mappings/terminology/`` as FHIR resources.

R4's are lines of ``definitions/code_systems.txt.xz`` and ``value_sets.txt.xz``
(``tools/definitions_terminology.py``); everything is read when it is first asked for.
"""

import lzma
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from service.fhir.json import Tree, reread
from service.shipped import shipped

__all__ = ["OWN_TYPES", "own", "own_by_url", "texts"]

OWN_TYPES = ("CodeSystem", "ConceptMap", "NamingSystem", "ValueSet")
_DEFINITIONS = Path(__file__).parent / "definitions"
_FILES = {"CodeSystem": "code_systems", "ValueSet": "value_sets"}


@cache
def texts(type_: str) -> Mapping[str, bytes]:
    """Answer canonical URL to the JSON of everything of a type, ours and R4's."""
    ours = {url: own(type_)[id_] for url, id_ in own_by_url(type_).items()}
    return {**ours, **_of_r4(_FILES[type_])} if type_ in _FILES else ours


@cache
def own(type_: str) -> Mapping[str, bytes]:
    """Answer id to the JSON of ours."""
    folder = shipped("mappings", "terminology")
    paths = sorted(folder.glob(f"{type_}-*.json"))
    return {path.stem.removeprefix(f"{type_}-"): path.read_bytes() for path in paths}


@cache
def own_by_url(type_: str) -> Mapping[str, str]:
    """Answer canonical URL to id of ours; a supplement stands for the code system it adds to."""
    trees: dict[str, Tree] = {id_: reread(text) for id_, text in own(type_).items()}
    return {url: id_ for id_, tree in trees.items() if (url := tree.get("supplements", tree.get("url", "")))}


def _of_r4(name: str) -> Mapping[str, bytes]:
    content = lzma.decompress((_DEFINITIONS / f"{name}.txt.xz").read_bytes())
    pairs = (line.split(b"\t", 1) for line in content.splitlines())
    return {url.decode(): text for url, text in pairs}
