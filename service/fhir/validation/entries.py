"""The entries of a Bundle by their addresses, and where a reference leads (bundle.html#references)."""

import re
from collections.abc import Iterator
from typing import Any

from service.fhir.json import Tree

__all__ = ["Entries"]

_RESTFUL = re.compile(r"(https?://.+/|)[A-Za-z]+/[A-Za-z0-9\-.]{1,64}(?:/_history/[A-Za-z0-9\-.]{1,64})?")
_RELATIVE = re.compile(r"[A-Za-z]+/([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})")
_HISTORY = "/_history/"
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:")


class Entries:
    """The resources of a Bundle that have an address."""

    def __init__(self, bundle: Tree) -> None:
        """Read the addresses of every entry, whatever else may be wrong with it."""
        self._found: dict[str, list[Tree]] = {}
        self._address: dict[int, str] = {}
        for address, resource in _addressed(bundle):
            self._found.setdefault(address, []).append(resource)
            self._address[id(resource)] = address

    def found(self, reference: str, source: Tree) -> list[Tree]:
        """Answer the resources that a reference in the resource ``source``, which is an entry's, leads to."""
        address = self.absolute(reference.partition("#")[0], source)
        if not address and (named := _RELATIVE.fullmatch(reference)):
            address = (
                f"urn:uuid:{named[1]}"  # the only thing a relative reference can mean among such entries
            )
        plain, _, version = address.partition(_HISTORY)
        those = self._found.get(plain, []) if address else []
        return [one for one in those if not version or _version(one) == version]

    def types(self, reference: str, source: Tree) -> set[str]:
        """Answer the types of what a reference leads to."""
        return {str(one.get("resourceType")) for one in self.found(reference, source)}

    def absolute(self, reference: str, source: Tree) -> str:
        """Answer the address of a reference; a relative one is below what the entry's own is below."""
        if _SCHEME.match(reference):
            return reference
        own = _RESTFUL.fullmatch(self._address.get(id(source), ""))
        return f"{own[1]}{reference}" if own and reference else ""


def _addressed(bundle: Tree) -> Iterator[tuple[str, Tree]]:
    entries: Any = bundle.get("entry")
    for entry in entries if isinstance(entries, list) else ():
        if isinstance(entry, dict) and isinstance(entry.get("resource"), dict):
            address = entry.get("fullUrl")
            if isinstance(address, str):
                yield address, entry["resource"]


def _version(resource: Tree) -> Any:
    meta = resource.get("meta")
    return meta.get("versionId") if isinstance(meta, dict) else None
