"""AuditEvents of requests and commands (FHIR R4 auditevent.html, after IHE's Basic Audit Log Patterns).

They name who, what and when, never what stands in it: ids, and what was searched by.
"""

import base64
import re
import socket
from collections.abc import Iterable, Iterator
from functools import cache, lru_cache

import msgspec

from service import __version__
from service.security.audit import Facts
from service.security.principal import Principal
from service.store.audit import Event

__all__ = ["COMMAND_TYPES", "command_event", "events_of", "outcome_of"]

_MOST_ENTITIES = 500
"""In one event; what is about more people is told in several."""
_LONGEST_NAME = 256
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_REFERENCE = re.compile(r"[A-Za-z]+/[A-Za-z0-9\-.]{1,64}")
_URL = re.compile(r"https?://[^\s\"<>]+")
_PURPOSES = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
_DICOM = "http://dicom.nema.org/resources/ontology/DCM"
_INTERACTION = "http://hl7.org/fhir/restful-interaction"
_REST = (
    '{"system":"http://terminology.hl7.org/CodeSystem/audit-event-type","code":"rest",'
    '"display":"RESTful Operation"}'
)
_RESTFUL = ("rest", _REST, _INTERACTION)
_SIGNED = ("110114", f'{{"system":"{_DICOM}","code":"110114","display":"User Authentication"}}', _DICOM)
_KINDS = {"110122": _SIGNED, "110123": _SIGNED}
"""Type and system of subtypes that are no RESTful interactions: login, logout."""
_KIND = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
_ROLE = "http://terminology.hl7.org/CodeSystem/object-role"
_PERSON = (
    f'"type":{{"system":"{_KIND}","code":"1","display":"Person"}},'
    f'"role":{{"system":"{_ROLE}","code":"1","display":"Patient"}}'
)
_OBJECT = f'"type":{{"system":"{_KIND}","code":"2","display":"System Object"}}'
_RESOURCE = f'{_OBJECT},"role":{{"system":"{_ROLE}","code":"4","display":"Domain Resource"}}'
_QUERY = f'{_OBJECT},"role":{{"system":"{_ROLE}","code":"24","display":"Query"}}'
_REQUEST = (
    '"type":{"system":"https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType",'
    '"code":"XrequestId"}'
)
_RECIPIENT = (
    '"type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v3-ParticipationType",'
    '"code":"IRCP","display":"information recipient"}]}'
)
_PROGRAM = f'"type":{{"coding":[{{"system":"{_DICOM}","code":"110150","display":"Application"}}]}}'
COMMAND_TYPES = {"110106": "Export", "110107": "Import", "110112": "Query"}
"""The types of events of commands, codes of DICOM."""
_text = msgspec.json.Encoder()


def events_of(facts: Facts, status: int) -> list[Event]:
    """Answer the events of a request that is answered with ``status``."""
    people = list(facts.patients)
    parts = [people[at : at + _MOST_ENTITIES] for at in range(0, len(people), _MOST_ENTITIES)] or [[]]
    return [_event(facts, status, part) for part in parts]


def outcome_of(status: int) -> str:
    """The code of an outcome: success, minor failure (the caller's), serious failure (ours)."""
    if status < 400:
        return "0"
    return "4" if status < 500 else "8"


def command_event(
    name: str, user: str, type_: str, *, patients: Iterable[str] = (), succeeded: bool = True
) -> Event:
    """Answer the event of a command that a user of this machine ran; ``type_`` is one of COMMAND_TYPES."""
    user = user[:_LONGEST_NAME]
    outcome = "0" if succeeded else "4"
    people = [f"Patient/{id_}" for id_ in patients]
    entities = [f'{{"what":{{"reference":{_json(one)}}},{_PERSON}}}' for one in people]
    agent = (
        f'{{{_PROGRAM},"who":{{"display":{_json(f"swallow-interop {name}")}}},"altId":{_json(user)},'
        '"requestor":true}'
    )
    type_json = f'{{"system":"{_DICOM}","code":"{type_}","display":"{COMMAND_TYPES[type_]}"}}'
    body = (
        f'"type":{type_json},"subtype":[{{"system":"{_INTERACTION}","code":"operation"}}],"action":"E",'
        f'"outcome":"{outcome}","agent":[{agent}],"source":{_source()}'
        f"{_listed('entity', entities)}"
    )
    return Event(type_, "operation", "E", outcome, "", user, tuple(people), body)


def _event(facts: Facts, status: int, people: Iterable[str]) -> Event:
    principal = facts.principal
    outcome = outcome_of(status)
    agent = facts.agent if _REFERENCE.fullmatch(facts.agent) or _URL.fullmatch(facts.agent) else ""
    subject = principal.subject.replace("\0", "")[:_LONGEST_NAME] if principal else ""
    told = f'"outcomeDesc":"HTTP status {status}",' if outcome != "0" else ""
    kind, kind_json, system = _KINDS.get(facts.subtype, _RESTFUL)
    body = (
        f'"type":{kind_json},"subtype":[{{"system":"{system}","code":"{facts.subtype}"}}],'
        f'"action":"{facts.action}","outcome":"{outcome}",{told}{_broken_glass(facts)}'
        f'"agent":[{_agents(principal, agent, subject, facts.address)}],"source":{_source()}'
        f"{_listed('entity', _entities(facts, people))}"
    )
    targets = dict.fromkeys(f"Patient/{id_}" for id_ in people)
    targets |= dict.fromkeys(one.partition("/_history/")[0] for one in facts.named)
    return Event(kind, facts.subtype, facts.action, outcome, agent, subject, tuple(targets), body)


def _entities(facts: Facts, people: Iterable[str]) -> Iterator[str]:
    for id_ in people:
        yield f'{{"what":{{"reference":"Patient/{id_}"}},{_PERSON}}}'
    for name in facts.named:
        yield f'{{"what":{{"reference":"{name}"}},{_RESOURCE}}}'
    if facts.query:
        query = base64.b64encode(facts.query.encode("utf-8", "replace")).decode()
        yield f'{{{_QUERY},"query":"{query}"}}'
    if facts.request:
        yield f'{{"what":{{"identifier":{{"value":{_json(facts.request)}}}}},{_REQUEST}}}'


def _broken_glass(facts: Facts) -> str:
    """What for, if it is said for this one request."""
    if not facts.purpose:
        return ""
    coding = f'{{"system":"{_PURPOSES}","code":"{facts.purpose}"}}'
    return f'"purposeOfEvent":[{{"coding":[{coding}],"text":{_json(facts.reason[:1_000])}}}],'


@lru_cache(maxsize=4_096)
def _agents(principal: Principal | None, agent: str, subject: str, address: str) -> str:
    """Who asks, and the program by which."""
    network = f',"network":{{"address":{_json(address)},"type":"2"}}' if address else ""
    if principal is None:
        return f'{{{_RECIPIENT},"who":{{"display":"unknown"}},"requestor":true{network}}}'
    who = f'"identifier":{{"system":{_json(principal.issuer)},"value":{_json(subject)}}}'
    if agent:
        who = f'"reference":{_json(agent)},{who}'
    purpose = ""
    if principal.purpose:
        coding = f'{{"system":"{_PURPOSES}","code":{_json(principal.purpose)}}}'
        purpose = f',"purposeOfUse":[{{"coding":[{coding}]}}]'
    found = f'{{{_RECIPIENT},"who":{{{who}}},"altId":{_json(subject)},"requestor":true{network}{purpose}}}'
    if not principal.client:
        return found
    named = f'"identifier":{{"system":{_json(principal.issuer)},"value":{_json(principal.client)}}}'
    return f'{found},{{{_PROGRAM},"who":{{{named}}},"requestor":false}}'


@cache
def _source() -> str:
    return (
        f'{{"site":{_json(socket.gethostname() or "unknown")},'
        f'"observer":{{"display":"swallow-interop {__version__}"}},"type":[{{"system":'
        '"http://terminology.hl7.org/CodeSystem/security-source-type","code":"4",'
        '"display":"Application Server"}]}'
    )


def _listed(name: str, parts: Iterable[str]) -> str:
    text = ",".join(parts)
    return f',"{name}":[{text}]' if text else ""


def _json(text: str) -> str:
    return _text.encode(text.encode("utf-8", "replace").decode().replace("\0", "") or "unknown").decode()
