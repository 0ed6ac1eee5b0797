"""Files whose rights follow another resource: a Binary and its security context (FHIR R4 binary.html)."""

from collections.abc import Iterable

from service.errors import Forbidden
from service.fhir.json import reread
from service.fhir.references import local_target
from service.interactions.context import Asker
from service.store.contract import Version

__all__ = ["ask_for_context", "visible"]


def ask_for_context(version: Version, *, context: Asker) -> None:
    """Raise Forbidden if the version is a Binary whose security context the caller may not read."""
    if version.type != "Binary" or version.deleted:
        return
    named = reread(version.content).get("securityContext", {}).get("reference", "")
    if target := local_target(named, context.base):
        context.allow("r", target.partition("/")[0])


def visible(versions: Iterable[Version], *, context: Asker) -> tuple[Version, ...]:
    """Answer those whose security context, if they have one, the caller may read."""
    return tuple(version for version in versions if _may(version, context))


def _may(version: Version, context: Asker) -> bool:
    try:
        ask_for_context(version, context=context)
    except Forbidden:
        return False
    return True
