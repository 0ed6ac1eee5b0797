"""Holds a resource against the profiles it claims, or that somebody asks for."""

from collections.abc import Callable, Iterable, Iterator

from service.errors import IssueType, Severity
from service.fhir.json import Tree
from service.fhir.validation.entries import Entries
from service.fhir.validation.fault import Fault
from service.fhir.validation.profiles.definitions import Definitions
from service.fhir.validation.profiles.items import whole
from service.fhir.validation.profiles.scope import Scope
from service.fhir.validation.profiles.snapshot import DefinitionFault

__all__ = ["check_profiles", "claimed", "profile_checker"]


def claimed(resource: Tree) -> tuple[str, ...]:
    """Answer the profiles a resource claims in ``meta.profile``."""
    meta = resource.get("meta")
    profiles = meta.get("profile") if isinstance(meta, dict) else None
    return tuple(one for one in profiles if isinstance(one, str)) if isinstance(profiles, list) else ()


def check_profiles(
    resource: Tree, profiles: Iterable[str], definitions: Definitions, *, entries: Entries | None = None
) -> list[Fault]:
    """Answer what is wrong with a resource by the profiles (canonicals) given.

    A profile that is not known is a warning. ``entries`` are those of the Bundle around the resource, where
    its references may lead.
    """
    found: list[Fault] = []
    for profile in dict.fromkeys(profiles):
        found += _against(profile, resource, definitions, entries)
    return list(dict.fromkeys(found))


def profile_checker(url: str, definitions: Definitions) -> Callable[[Tree], list[Fault]]:
    """Answer the function that holds resources against one profile."""
    return lambda resource: check_profiles(resource, (url,), definitions)


def _against(
    profile: str, resource: Tree, definitions: Definitions, entries: Entries | None
) -> Iterator[Fault]:
    try:
        check = definitions.check(profile)
    except DefinitionFault as why:
        text = f"The profile {profile} can't be used: {why}."
        yield Fault("", text, IssueType.NOT_SUPPORTED, profile, Severity.WARNING)
        return
    if check is None:
        text = f"The profile {profile[:300]} is not known here; nothing was checked against it."
        yield Fault("", text, IssueType.NOT_FOUND, profile, Severity.WARNING)
    else:
        yield from check(whole(resource), Scope(resource, entries=entries))
