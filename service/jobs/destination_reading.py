"""Reads destinations as people write them (JSON): every problem at once, each with its place."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_type_hints
from urllib.parse import urlsplit

import msgspec

from service.errors import InvalidInput, Issue, Place
from service.fhir.search_parameters import stored_types
from service.jobs.delivery_choice import contents
from service.jobs.destination import Destination, Limits, Login, Schedule

__all__ = ["read_destination", "read_destinations"]

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,62}")
_TIME = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]")
_SCHEMES = {"fhir": ("https", "http"), "mllp": ("mllp", "mllps")}


def read_destinations(path: Path) -> list[Destination]:
    """Read a JSON list of destinations; InvalidInput if it can't be."""
    try:
        found = msgspec.json.decode(path.read_bytes(), type=list[dict[str, Any]])
    except OSError as error:
        raise InvalidInput(f"SWALLOW_DESTINATIONS: {path} can't be read ({type(error).__name__}).") from None
    except msgspec.MsgspecError as error:
        raise InvalidInput(f"SWALLOW_DESTINATIONS: {path.name}: {error}") from None
    read, problems, names = list[Destination](), list[Issue](), set[str]()
    for number, given in enumerate(found):
        try:
            read.append(read_destination(given, f"/{number}"))
        except InvalidInput as error:
            problems += error.issues
        if (name := str(given.get("name"))) in names:
            problems.append(_problem(f"/{number}/name", "Two destinations have this name."))
        names.add(name)
    if problems:
        raise InvalidInput(problems)
    return read


def read_destination(given: dict[str, Any], place: str = "") -> Destination:
    """Read one; InvalidInput names everything that is wrong with it."""
    problems = list(_shape(given, Destination, place))
    if problems:
        raise InvalidInput(problems)
    found = msgspec.convert(given, Destination)
    if problems := [_problem(f"{place}{where}", said) for where, said in _meaning(found)]:
        raise InvalidInput(problems)
    return found


def _shape(given: dict[str, Any], kind: type[msgspec.Struct], place: str) -> Iterator[Issue]:
    """What is missing, not known, or of another type."""
    wanted = get_type_hints(kind)
    for field in msgspec.structs.fields(kind):
        if field.required and field.name not in given:
            yield _problem(f"{place}/{field.name}", "This is required.")
    for name, value in given.items():
        here = f"{place}/{name}"
        if name not in wanted:
            yield _problem(here, f"There is no such option; there are: {', '.join(wanted)}.")
        elif isinstance(value, dict) and isinstance(type_ := wanted[name], type(msgspec.Struct)):
            yield from _shape(value, type_, here)
        else:
            try:
                msgspec.convert(value, wanted[name])
            except msgspec.ValidationError as error:
                yield _problem(here, f"{error}.")


def _meaning(one: Destination) -> Iterator[tuple[str, str]]:
    """What can't be meant: where, and a sentence."""
    if not _NAME.fullmatch(one.name):
        yield "/name", "A name is of small letters, digits and hyphens, 63 at most."
    yield from _address(one)
    for name in set(one.filter.types) - stored_types():
        yield "/filter/types", f"This service stores no resources of the type {name[:64]}."
    for name in set(one.filter.contents) - contents().keys():
        yield "/filter/contents", f"{name[:64]} is none of: {', '.join(contents())}."
    yield from _schedule(one.schedule)
    yield from _limits(one.limits)
    yield from _login(one.login)


def _address(one: Destination) -> Iterator[tuple[str, str]]:
    if one.kind == "folder":
        if not Path(one.address).is_absolute():
            yield "/address", "It must be https://…, mllps://host:port, or a folder named by its whole path."
        return
    parts = urlsplit(one.address)
    if parts.scheme not in _SCHEMES[one.kind] or not parts.hostname:
        yield "/address", f"The address begins with {' or '.join(f'{s}://' for s in _SCHEMES[one.kind])}."
    if parts.username or parts.password or parts.query or parts.fragment:
        yield "/address", "No login, query or fragment belongs into the address; secrets are files."


def _schedule(one: Schedule) -> Iterator[tuple[str, str]]:
    if one.minutes < 0:
        yield "/schedule/minutes", "Minutes are 0 or more."
    if bool(one.begin) is not bool(one.end):
        yield "/schedule", "Give begin and end, or neither."
    for name, time in (("begin", one.begin), ("end", one.end)):
        if time and not _TIME.fullmatch(time):
            yield f"/schedule/{name}", "A time of the day is written as 22:30."


def _limits(one: Limits) -> Iterator[tuple[str, str]]:
    if one.per_second < 0:
        yield "/limits/per_second", "Requests a second are 0 (any number) or more."
    for name, value in (("entries", one.entries), ("concurrency", one.concurrency)):
        if value < 1:
            yield f"/limits/{name}", "This is 1 or more."
    if one.seconds <= 0:
        yield "/limits/seconds", "Seconds are more than 0."


def _login(one: Login) -> Iterator[tuple[str, str]]:
    fetched = (one.token_url, one.client_id, one.key_file)
    if any(fetched) and not all(fetched):
        yield "/login", "To fetch a token takes token_url, client_id and key_file."
    if one.token_file and one.token_url:
        yield "/login", "Give a token in a file, or where to fetch one, not both."
    if one.certificate_key_file and not one.certificate_file:
        yield "/login", "A certificate's key is of use with its certificate alone."


def _problem(place: str, said: str) -> Issue:
    return Issue(said, place=Place(pointer=place))
