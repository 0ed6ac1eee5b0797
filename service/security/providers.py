"""Where people sign in, as the JSON file of ``SWALLOW_PROVIDERS`` lists it.

    [{"id": "hospital", "name": "Hospital sign-in", "issuer": "https://login.example.org",
      "client_id": "swallow", "client_secret_file": "/run/secrets/login",
      "roles": [{"claim": "groups", "value": "swallow-therapists", "role": "clinician"}],
      "person_claim": "employee_number", "person_systems": ["https://clinic.example.org/staff"]},
     {"id": "record", "name": "Hospital record", "issuer": "https://record.example.org/auth",
      "fhir": "https://record.example.org/fhir", "client_id": "swallow", "private_key_file": "key.json",
      "roles": [{"claim": "iss", "value": "https://record.example.org/auth", "role": "clinician"}],
      "person_systems": ["https://clinic.example.org/staff"],
      "patient_systems": ["https://clinic.example.org/patients"]}]

One with ``fhir`` is a hospital's record, which opens the page with a patient (SMART App Launch). Files are
named absolutely, or from the folder of the list.
"""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from service.errors import Issue, Place, ServiceError
from service.security.client_proof import read_private_key
from service.security.roles import roles
from service.security.signed import ALGORITHMS
from service.security.trusted_issuers import is_safe

__all__ = ["Provider", "RoleRule", "read_providers"]

_ID = re.compile(r"[a-z0-9-]{1,32}")
_LONGEST_SESSION = 720


class RoleRule(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Whoever's ID token has ``value`` as the ``claim``, or in it, has the ``role``."""

    claim: str
    value: str
    role: str


class Provider(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One place to sign in.

    ``id`` stands in addresses, ``name`` on the button. We prove who we are by a secret, a private key (a JWK)
    or, as a public client, not at all. Of ``roles`` the first that holds counts. ``person_claim`` tells who
    somebody is: a reference to a Practitioner here or, with ``person_systems``, a value that one has as an
    identifier of such a system, or a Practitioner of ``fhir`` that has one. ``patient_systems`` are the
    systems of identifiers by which a patient of ``fhir`` is found here. ``session_minutes``: how long
    somebody is signed in at most.
    """

    id: str
    name: str
    issuer: str
    client_id: str
    roles: tuple[RoleRule, ...]
    client_secret_file: str = ""
    private_key_file: str = ""
    algorithms: tuple[str, ...] = ("RS256", "RS384", "ES256", "ES384")
    person_claim: str = "fhirUser"
    person_systems: tuple[str, ...] = ()
    fhir: str = ""
    patient_systems: tuple[str, ...] = ()
    session_minutes: int = 60

    def role(self, claims: dict[str, Any]) -> str:
        """Answer the role that the claims of an ID token give, empty for none."""
        return next((rule.role for rule in self.roles if _holds(rule, claims.get(rule.claim))), "")


def _holds(rule: RoleRule, said: object) -> bool:
    return said == rule.value or (isinstance(said, list) and rule.value in said)


def read_providers(path: Path) -> tuple[Provider, ...]:
    """Read the list; ServiceError names every place that can't be used."""
    try:
        listed = msgspec.json.decode(path.read_bytes(), type=tuple[Provider, ...])
    except (OSError, msgspec.MsgspecError) as error:
        raise ServiceError(f"SWALLOW_PROVIDERS: {path} can't be read: {error}") from error
    problems = [
        Issue(text, place=Place(pointer=f"{path}: /{number}"))
        for number, one in enumerate(listed)
        for text in _problems(one, path.parent)
    ]
    for name in ("id", "fhir"):
        values = [value for one in listed if (value := getattr(one, name).rstrip("/"))]
        if len(set(values)) < len(values):
            problems.append(Issue(f"Two entries have the same '{name}'.", place=Place(pointer=str(path))))
    if problems:
        raise ServiceError(problems)
    return listed


def _problems(one: Provider, folder: Path) -> Iterator[str]:
    """What is wrong with an entry, in sentences."""
    if not _ID.fullmatch(one.id):
        yield "'id' has small letters, digits and - only, 32 at most."
    if not (one.name and one.client_id):
        yield "'name' and 'client_id' must say something."
    for url in (one.issuer, one.fhir):
        if (url or url is one.issuer) and not is_safe(url):
            yield f"'{url}' must begin with https:// (http:// is for this machine alone)."
    if bool(one.fhir) != bool(one.patient_systems):
        yield "'fhir' and 'patient_systems' go together: its patients are found here by these identifiers."
    if one.fhir and one.person_claim == "fhirUser" and not one.person_systems:
        yield "'fhir' needs 'person_systems', since its 'fhirUser' is a Practitioner there, not here."
    if unknown := [name for name in one.algorithms if name not in ALGORITHMS]:
        yield f"{', '.join(unknown)} can't be taken as an algorithm; these can: {', '.join(ALGORITHMS)}."
    if not 1 <= one.session_minutes <= _LONGEST_SESSION:
        yield f"'session_minutes' is from 1 to {_LONGEST_SESSION}."
    yield from _problems_of_roles(one)
    yield from _problems_of_proof(one, folder)


def _problems_of_roles(one: Provider) -> Iterator[str]:
    personal = [name for name, role in roles().items() if role.personal]
    if not one.roles:
        yield "Without 'roles' nobody gets in: name a claim, a value and a role."
    for rule in one.roles:
        if not (rule.claim and rule.value):
            yield "A role needs a 'claim' and a 'value'."
        if rule.role not in personal:
            yield f"'{rule.role}' is no role of a person; these are: {', '.join(personal)}."


def _problems_of_proof(one: Provider, folder: Path) -> Iterator[str]:
    if one.client_secret_file and one.private_key_file:
        yield "Name either 'client_secret_file' or 'private_key_file', not both."
    if one.client_secret_file and not (folder / one.client_secret_file).is_file():
        yield f"There is no {one.client_secret_file}."
    if one.private_key_file:
        try:
            read_private_key(folder / one.private_key_file)
        except (OSError, ValueError):
            yield (
                f"{one.private_key_file} holds no private key (a JWK with a 'kid'): RSA of 2048 bits or "
                "more, or on the curve P-384."
            )
