"""Who is asking, as an access token said."""

from dataclasses import dataclass, field

from service.security.scopes import Scopes

__all__ = ["Principal"]


@dataclass(frozen=True, slots=True)
class Principal:
    """A caller whose token was verified.

    ``subject`` is the token's ``sub``; ``issuer`` its ``iss`` (the pair is unique). ``fhir_user`` is the FHIR
    reference of the person, such as ``Practitioner/123``, empty for a system. ``expires`` is the token's end
    in seconds since 1970. ``patient`` is the id of the patient the token was made for (SMART's launch
    context), ``client`` the program that asks (``client_id``, or ``azp``), ``purpose`` what it says it asks
    for, a code of v3-PurposeOfUse, ``name`` what to call the person; each empty if the token does not say.
    """

    subject: str
    issuer: str
    scopes: Scopes
    fhir_user: str
    expires: float
    patient: str = ""
    client: str = ""
    purpose: str = ""
    name: str = ""
    _hash: int = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Count the hash, of what tells callers apart."""
        object.__setattr__(self, "_hash", hash((self.issuer, self.subject, self.scopes, self.patient)))

    def __hash__(self) -> int:
        """Counted once: every request looks for what is known of its caller."""
        return self._hash

    @property
    def called(self) -> str:
        """What a page calls them."""
        return self.name or self.subject
