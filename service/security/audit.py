"""What is known of one request while it is answered, for the AuditEvent that tells of it."""

import re
from collections.abc import MutableMapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from service.fhir.references import local_target
from service.security.principal import Principal
from service.store.contract import Version

__all__ = [
    "Action",
    "Facts",
    "facts_of",
    "not_audited",
    "note_caller",
    "note_emergency",
    "note_login",
    "request_facts",
    "request_line",
]

_FACTS = "service.audit"
_TYPE = re.compile(r"[A-Z][A-Za-z]{1,63}")
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_SECRET = re.compile(r"(?i)((?:^|[?&])(?:access_token|token|client_assertion|assertion)=)[^&]*")
_PATIENT = "Patient/"
Action = Literal["C", "R", "U", "D", "E"]


@dataclass(slots=True)
class Facts:
    """Who asks for what, noted by those who find out.

    ``audited``: an AuditEvent is written at all. ``subtype`` is a code of restful-interaction, or of DICOM
    for signing in and out; empty while nobody has said. ``agent`` is the caller's reference, ``address`` that
    of the network, ``request`` the request's id. A command has its name in ``command``, the machine's user in
    ``agent``, and in ``kind`` DICOM's code of what it does. ``query`` is what was searched by. ``purpose`` is
    a code of v3-ActReason for this one request, with its ``reason`` in words.
    ``target`` is the resource that the request names (``Type/id``), ``named`` are those that were read or
    written, with their versions, ``patients`` ids of those whom anything is about that was handed out or
    written. ``asked`` are those (``Type/id``) that a search or the entries of a Bundle name, there or not:
    a number, a refusal or nothing found is an answer about them too. ``kept``: it was recorded together with
    what it wrote.
    """

    audited: bool = True
    subtype: str = ""
    action: Action = "E"
    principal: Principal | None = None
    command: str = ""
    kind: str = ""
    agent: str = ""
    address: str = ""
    request: str = ""
    query: str = ""
    purpose: str = ""
    reason: str = ""
    target: str = ""
    patients: dict[str, None] = field(default_factory=dict)
    named: dict[str, None] = field(default_factory=dict)
    asked: dict[str, None] = field(default_factory=dict)
    kept: bool = False

    def within(self) -> "Facts":
        """What is known so far, to be told of one transaction.

        Of a batch that is nothing: each of its writes has an event that tells of it alone.
        """
        if self.subtype == "batch":
            return replace(self, patients={}, named={}, asked={})
        return replace(self, patients=dict(self.patients), named=dict(self.named), asked=dict(self.asked))

    def see(self, version: Version | None) -> None:
        """Note whom a version is about that is handed out."""
        if version is None:
            return
        if version.type == "Patient":
            self.patients[version.id] = None
        elif version.patient:
            self.patients[version.patient] = None

    def ask(self, type_: str, id_: str) -> None:
        """Note what is asked about, whether it is there or not, if they can be a type and an id."""
        if _TYPE.fullmatch(type_) and _ID.fullmatch(id_):
            self.asked[f"{type_}/{id_}"] = None

    def ask_for_patient(self, type_: str, id_: str) -> None:
        """Note whom is asked about, if it is a patient."""
        if type_ == "Patient" and _ID.fullmatch(id_):
            self.patients[id_] = None

    def name(self, type_: str, id_: str) -> None:
        """Note the resource that the request names, if they can be a type and an id."""
        if _TYPE.fullmatch(type_) and _ID.fullmatch(id_):
            self.target = f"{type_}/{id_}"

    @property
    def people(self) -> list[str]:
        """Ids of the patients it is about, and of those who were asked about."""
        asked = (one.removeprefix(_PATIENT) for one in self.asked if one.startswith(_PATIENT))
        return [*(self.patients | dict.fromkeys(asked))]

    @property
    def names(self) -> list[str]:
        """What is named, asked about or was written, each once: with its version, where that is known."""
        names = [*self.named]
        if self.target:
            version = f"{self.target}/_history/"
            known = [one for one in names if one.startswith(version)]
            names = names if known else [self.target, *names]
        if self.asked:
            told = {one.partition("/_history/")[0] for one in names}
            names += [one for one in self.asked if one not in told and not one.startswith(_PATIENT)]
        return names

    def write(self, version: Version, patient: str) -> None:
        """Note a version that is written."""
        self.named[f"{version.type}/{version.id}/_history/{version.version}"] = None
        if self.subtype == "update" and version.version == 1:
            self.action = "C"
        self.see(version)
        if patient:
            self.patients[patient] = None


def request_facts(scope: MutableMapping[str, Any]) -> Facts:
    """Begin to note what is known of a request."""
    scope[_FACTS] = facts = Facts()
    return facts


def not_audited(scope: MutableMapping[str, Any]) -> None:
    """Note that the answer holds nothing about anybody."""
    if (facts := facts_of(scope)) is not None:
        facts.audited = False


def note_caller(scope: MutableMapping[str, Any], principal: Principal, base: str) -> None:
    """Note who asks; ``base`` is the FHIR base, below which a token may name its user."""
    if (facts := facts_of(scope)) is not None:
        facts.principal = principal
        facts.agent = local_target(principal.fhir_user, base) or principal.fhir_user


def note_emergency(scope: MutableMapping[str, Any], reason: str) -> None:
    """Note that the caller breaks the glass for this request, and why."""
    if (facts := facts_of(scope)) is not None:
        facts.purpose, facts.reason = "BTG", reason


def note_login(scope: MutableMapping[str, Any], what: str = "110122") -> None:
    """Note that somebody signs in (or out), by DICOM's code; recorded at open addresses too."""
    if (facts := facts_of(scope)) is not None:
        facts.audited, facts.subtype, facts.action = True, what, "E"


def request_line(scope: MutableMapping[str, Any], more: bytes = b"") -> str:
    """What a request asks for, with a form that was sent; without what is secret in it."""
    given = b"&".join(part for part in (scope["query_string"], more) if part)
    text = f"{scope['method']} {scope['path']}"
    return _SECRET.sub(r"\1*", f"{text}?{given.decode('utf-8', 'replace')}") if given else text


def facts_of(scope: MutableMapping[str, Any]) -> Facts | None:
    """What is known of a request; None where the request is part of another."""
    return scope.get(_FACTS)
