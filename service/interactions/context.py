"""What an interaction needs besides the store and its input."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Literal, Protocol
from uuid import uuid4
from zoneinfo import ZoneInfo

from service.attainment.cues import CueLimits
from service.fhir.guides import read_guide
from service.fhir.json import Tree
from service.fhir.validation.profiles import Definitions
from service.interactions.elsewhere import Ask
from service.store.code_lists import CodeLists
from service.terminology.licensed import Licence

__all__ = [
    "Action",
    "Allow",
    "Asker",
    "Context",
    "Subscribing",
    "allow_everything",
    "definitions_with",
    "shipped_definitions",
]

_UTC = ZoneInfo("UTC")

Action = Literal["c", "r", "u", "d", "s"]
"""The letters of SMART App Launch 2 scopes: create, read, update, delete, search."""

Allow = Callable[[Action, str], None]
"""Called with an action and a resource type before anything is done; raises Forbidden."""


class Asker(Protocol):
    """As much of a Context as reading one resource needs."""

    @property
    def base(self) -> str:
        """The service's FHIR base."""
        ...

    @property
    def allow(self) -> Allow:
        """Who may do what."""
        ...


def allow_everything(action: Action, type_: str) -> None:
    """For work the service does on its own behalf (intake, jobs); never for a caller's request."""


def _nothing(_type: str, _id: str) -> bool:
    return False


def _random_id() -> str:
    return str(uuid4())


@cache
def shipped_definitions() -> Definitions:
    """Answer the definitions that travel with the program."""
    return Definitions()


def definitions_with(guides: Iterable[Path]) -> Definitions:
    """Answer the definitions of guides, each a package or a folder, besides those that travel along."""
    return Definitions(*map(read_guide, guides))


@dataclass(frozen=True, slots=True)
class Subscribing:
    """For whom Subscriptions are written.

    ``asker`` answers who that is as it is kept (JSON), ``refusal`` why an endpoint can't be used, empty if it
    can, as far as its address tells.
    """

    asker: Callable[[], str]
    refusal: Callable[[str], str]


@dataclass(frozen=True, slots=True)
class Context:
    """Who asks, and the limits and sources that apply.

    ``base`` is the service's FHIR base without a trailing slash (``https://host/fhir``), used in links and to
    recognise references to itself. ``lenient`` is ``Prefer: handling=lenient``. ``clock`` answers now, with a
    zone. ``cue_limits`` say when an attention cue is given. ``enforce_references``: no reference may lead
    nowhere. ``warn_only``: what is readable FHIR is stored, valid or not. ``definitions`` are the profiles
    that are known, by which claims of what is written are judged, and value sets and code systems beside the
    stored ones; so are ``code_lists``, which the site has loaded. ``licence`` says which of our codes may be
    shown. ``reserved`` says of a type and an id whether they name a resource that travels with the program,
    which nobody can write. ``elsewhere`` asks the site's terminology server; nothing that writes or searches
    does. ``origin`` is a Provenance, without a target, of the one resource that is written. Without
    ``subscribing`` no Subscription is written.
    """

    base: str
    allow: Allow
    zone: ZoneInfo = _UTC
    cue_limits: CueLimits | None = None
    lenient: bool = False
    max_depth: int = 64
    max_bundle_entries: int = 5_000
    page_size: int = 50
    max_page_size: int = 500
    enforce_references: bool = False
    warn_only: bool = False
    reserved: Callable[[str, str], bool] = _nothing
    new_id: Callable[[], str] = _random_id
    clock: Callable[[], datetime] = lambda: datetime.now(UTC)
    definitions: Definitions = field(default_factory=shipped_definitions)
    licence: Licence = "all"
    code_lists: CodeLists = field(default_factory=CodeLists)
    elsewhere: Ask | None = None
    origin: Tree | None = None
    subscribing: Subscribing | None = None
