"""AuditEvents of requests and commands (FHIR R4 auditevent.html, after IHE's Basic Audit Log Patterns).

They name who, what and when, never what stands in it: ids, and what was searched by.
"""

import base64
import re
import socket
from collections.abc import Iterable, Sequence
from functools import cache, lru_cache

import msgspec

from service import __version__
from service.security.audit import Facts
from service.security.principal import Principal
from service.store.audit import Event

__all__ = ["events_of", "outcome_of"]

_MOST_ENTITIES = 500
"""People in one event, and names of resources; what has more of either is told in several."""
_LONGEST_NAME = 256
_REFERENCE = re.compile(r"[A-Za-z]+/[A-Za-z0-9\-.]{1,64}")
_URL = re.compile(r"https?://[^\s\"<>]+")
_PURPOSES = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
_DICOM = "http://dicom.nema.org/resources/ontology/DCM"
_INTERACTION = "http://hl7.org/fhir/restful-interaction"
_REST = (
    '{"system":"http://terminology.hl7.org/CodeSystem/audit-event-type","code":"rest",'
    '"display":"RESTful Operation"}'
)
_SIGNING = {"110122": "Login", "110123": "Logout"}
_DICOM_TYPES = {
    "110106": "Export",
    "110107": "Import",
    "110110": "Patient Record",
    "110112": "Query",
    "110114": "User Authentication",
}
_LIFECYCLE = {
    "destroy": "Destroy/Delete Record Lifecycle Event",
    "hold": "Add Legal Hold Record Lifecycle Event",
    "unhold": "Remove Legal Hold Record Lifecycle Event",
}
_LIFECYCLES = "http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle"
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
_text = msgspec.json.Encoder()


def events_of(facts: Facts, status: int) -> list[Event]:
    """Answer the events of a request that is answered with ``status``."""
    people, names = facts.people if facts.asked else list(facts.patients), facts.names
    if len(people) <= _MOST_ENTITIES and len(names) <= _MOST_ENTITIES:
        return [_event(facts, status, people, names)]
    parts = range(0, max(len(people), len(names)), _MOST_ENTITIES)
    return [_event(facts, status, _part(people, at), _part(names, at)) for at in parts]


def _part(entities: list[str], at: int) -> list[str]:
    """What one of several events names: of what all of them have room for everything."""
    return entities if len(entities) <= _MOST_ENTITIES else entities[at : at + _MOST_ENTITIES]


def outcome_of(status: int) -> str:
    """The code of an outcome: success, minor failure (the caller's), serious failure (ours)."""
    if status < 400:
        return "0"
    return "4" if status < 500 else "8"


def _event(facts: Facts, status: int, people: Sequence[str], names: Sequence[str]) -> Event:
    subtype, action, outcome = facts.subtype, facts.action, outcome_of(status)
    told = 0 if outcome == "0" or facts.command else status
    kind, head = _head(facts.kind or subtype, subtype, action, outcome, told)
    agent, subject, agents = _who(facts)
    body = f"{head}{agents}{_broken_glass(facts)}{_entities(facts, people, names)}"
    targets = [f"Patient/{id_}" for id_ in people]
    targets += [one.partition("/_history/")[0] for one in names]
    return Event(kind, subtype, action, outcome, agent, subject, tuple(dict.fromkeys(targets)), body)


@cache
def _head(kind_code: str, subtype: str, action: str, outcome: str, status: int) -> tuple[str, str]:
    """The type, and the members that many events have alike."""
    kind, kind_json = _kind(kind_code)
    told = f'"outcomeDesc":"HTTP status {status}",' if status else ""
    what = f'"type":{kind_json},"subtype":[{_subtype(subtype)}]'
    return kind, f'{what},"action":"{action}","outcome":"{outcome}",{told}'


def _kind(code: str) -> tuple[str, str]:
    """The type of an event: one of DICOM's, or a RESTful operation."""
    code = "110114" if code in _SIGNING else code
    if display := _DICOM_TYPES.get(code):
        return code, f'{{"system":"{_DICOM}","code":"{code}","display":"{display}"}}'
    return "rest", _REST


def _subtype(code: str) -> str:
    if display := _SIGNING.get(code):
        return f'{{"system":"{_DICOM}","code":"{code}","display":"{display}"}}'
    if display := _LIFECYCLE.get(code):
        return f'{{"system":"{_LIFECYCLES}","code":"{code}","display":"{display}"}}'
    return f'{{"system":"{_INTERACTION}","code":"{code}"}}'


def _who(facts: Facts) -> tuple[str, str, str]:
    """The agent's reference, their name, and the members that tell of the agents and the source."""
    if facts.command:
        return _command(facts.command, facts.agent)
    if facts.principal is None:
        return "", "", _unknown(facts.address)
    return _caller(facts.principal, facts.agent, facts.address)


def _entities(facts: Facts, people: Iterable[str], names: Iterable[str]) -> str:
    """The last members: who and what it is about, what was searched by, and the request."""
    parts = [f'{{"what":{{"reference":"Patient/{id_}"}},{_PERSON}}}' for id_ in people]
    parts += [f'{{"what":{{"reference":"{name}"}},{_RESOURCE}}}' for name in names]
    if facts.query:
        query = base64.b64encode(facts.query.encode("utf-8", "replace")).decode()
        parts.append(f'{{{_QUERY},"query":"{query}"}}')
    if facts.request:
        parts.append(f'{{"what":{{"identifier":{{"value":{_json(facts.request)}}}}},{_REQUEST}}}')
    return f',"entity":[{",".join(parts)}]' if parts else ""


def _broken_glass(facts: Facts) -> str:
    """What for, if it is said for this one request."""
    if not facts.purpose:
        return ""
    coding = f'{{"system":"{_PURPOSES}","code":"{facts.purpose}"}}'
    return f',"purposeOfEvent":[{{"coding":[{coding}],"text":{_json(facts.reason[:1_000])}}}]'


@cache
def _command(name: str, user: str) -> tuple[str, str, str]:
    who = f'"who":{{"display":{_json(f"swallow-interop {name}")}}}'
    subject = _clean(user)
    return "", subject, _told_by(f'{{{_PROGRAM},{who},"altId":{_json(subject)},"requestor":true}}')


@lru_cache(maxsize=4_096)
def _unknown(address: str) -> str:
    return _told_by(f'{{{_RECIPIENT},"who":{{"display":"unknown"}},"requestor":true{_network(address)}}}')


@lru_cache(maxsize=4_096)
def _caller(one: Principal, agent: str, address: str) -> tuple[str, str, str]:
    """Whom a token names, and the program by which they ask."""
    client, purpose = one.client, one.purpose
    subject = _clean(one.subject)
    system = f'"system":{_json(one.issuer)}'
    known = _REFERENCE.fullmatch(agent) or _URL.fullmatch(agent)
    reference = f'"reference":{_json(agent)},' if known else ""
    who = f'{reference}"identifier":{{{system},"value":{_json(subject)}}}'
    coding = f'{{"system":"{_PURPOSES}","code":{_json(purpose)}}}'
    why = f',"purposeOfUse":[{{"coding":[{coding}]}}]' if purpose else ""
    more = f'"altId":{_json(subject)},"requestor":true{_network(address)}{why}'
    agents = f'{{{_RECIPIENT},"who":{{{who}}},{more}}}'
    if client:
        program = f'"identifier":{{{system},"value":{_json(client)}}}'
        agents = f'{agents},{{{_PROGRAM},"who":{{{program}}},"requestor":false}}'
    return agent if known else "", subject, _told_by(agents)


def _told_by(agents: str) -> str:
    return f'"agent":[{agents}],"source":{_source()}'


def _network(address: str) -> str:
    return f',"network":{{"address":{_json(address)},"type":"2"}}' if address else ""


def _clean(name: str) -> str:
    """A name as it can be searched by."""
    return name.encode("utf-8", "replace").decode().replace("\0", "")[:_LONGEST_NAME]


@cache
def _source() -> str:
    return (
        f'{{"site":{_json(socket.gethostname() or "unknown")},'
        f'"observer":{{"display":"swallow-interop {__version__}"}},"type":[{{"system":'
        '"http://terminology.hl7.org/CodeSystem/security-source-type","code":"4",'
        '"display":"Application Server"}]}'
    )


def _json(text: str) -> str:
    if text.isascii() and text.isalnum():  # as most are: nothing to escape
        return f'"{text}"'
    return _text.encode(text.encode("utf-8", "replace").decode().replace("\0", "") or "unknown").decode()
