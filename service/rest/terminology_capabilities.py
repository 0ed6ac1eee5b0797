"""The TerminologyCapabilities: ``metadata?mode=terminology`` (FHIR R4 terminologycapabilities.html)."""

from functools import lru_cache
from typing import Any

from service import __version__
from service.fhir.canonical import CANONICAL_ROOT
from service.fhir.code_grammars import GRAMMARS
from service.fhir.code_systems import CodeSystem, shipped_code_system
from service.fhir.terminology_files import texts
from service.operations.arguments import definition
from service.store.code_lists import CodeLists

__all__ = ["capabilities"]

_DOCUMENTATION = (
    "Code systems that FHIR R4 ships with their content, and this service's own. Of systems without version "
    "only the codes that the service sends are known. Units, languages, media types and time zones are told "
    "by their grammar. Stored code systems, value sets and concept maps count too: the newest active one "
    "goes before those that travel with the service."
)


def capabilities(base: str, date: str, lists: CodeLists) -> dict[str, Any]:
    """Answer the TerminologyCapabilities of a service at the FHIR base URL ``base``.

    ``lists`` are the code lists that the site has loaded.
    """
    parameters = [one for one in definition("valueset-expand")["parameter"] if one["use"] == "in"]
    return {
        "resourceType": "TerminologyCapabilities",
        "url": f"{CANONICAL_ROOT}/TerminologyCapabilities/service",
        "version": __version__,
        "name": "SwallowInteropTerminology",
        "title": "Terminology of swallow-interop",
        "status": "active",
        "date": date,
        "description": _DOCUMENTATION,
        "kind": "instance",
        "software": {"name": "swallow-interop", "version": __version__},
        "implementation": {"description": "Terminology of swallowing care, and of FHIR R4", "url": base},
        "lockedDate": False,
        "codeSystem": _code_systems(lists),
        "expansion": {
            "hierarchical": False,
            "paging": True,
            "incomplete": True,
            "parameter": [{"name": one["name"], "documentation": one["documentation"]} for one in parameters],
            "textFilter": "Every word must stand in the code or its display, in any case.",
        },
        "codeSearch": "explicit",
        "validateCode": {"translations": False},
        "translation": {"needsMap": True},
        "closure": {"translation": False},
    }


def _code_systems(lists: CodeLists) -> list[dict[str, Any]]:
    loaded = {url: _code_system(system) for url, system in lists.systems().items()}
    found = {**_shipped(), **loaded}
    return [{"uri": url, **found[url]} for url in sorted(found)]


@lru_cache(maxsize=1)
def _shipped() -> dict[str, dict[str, Any]]:
    found = {url: _code_system(shipped_code_system(url)) for url in texts("CodeSystem")}
    return {url: found.get(url, {}) for url in {*found, *GRAMMARS}}


def _code_system(system: CodeSystem | None) -> dict[str, Any]:
    version = None if system is None or system.supplement else system.tree.get("version")
    return ({"version": [{"code": version}]} if version else {}) | {"subsumption": version is not None}
