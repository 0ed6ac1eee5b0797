"""Who is asking, as an access token said."""

from dataclasses import dataclass

from service.security.scopes import Scopes

__all__ = ["Principal"]


@dataclass(frozen=True, slots=True)
class Principal:
    """A caller whose token was verified.

    ``subject`` is the token's ``sub``; ``issuer`` its ``iss`` (the pair is unique). ``fhir_user`` is the FHIR
    reference of the person, such as ``Practitioner/123``, empty for a system. ``expires`` is the token's end
    in seconds since 1970. A caller's rights are its scopes, nothing else: a clinician's token reads every
    patient its scopes name, care team or not.
    """

    subject: str
    issuer: str
    scopes: Scopes
    fhir_user: str
    expires: float
