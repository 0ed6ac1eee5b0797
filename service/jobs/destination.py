"""A destination: where what is stored here is delivered to, what of it, how, and when."""

from typing import Literal

import msgspec

__all__ = ["Destination", "Filter", "Limits", "Login", "Mapping", "Schedule"]


class Filter(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is delivered; everything that is final if nothing is said.

    ``types`` of resources, ``contents`` of ``mappings/delivery/contents.json`` (what belongs to none of them
    always goes), of the members of a ``group`` (its id), of people with an identifier of a system.
    ``preliminary``: also what waits for a signature.
    """

    types: tuple[str, ...] = ()
    contents: tuple[str, ...] = ()
    group: str = ""
    identifier_system: str = ""
    preliminary: bool = False


class Mapping(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What it is made before it leaves.

    Published codes come first; local ones beside them follow, or are dropped. ``systems`` are new names of
    systems of identifiers. ``profiles``: claims that begin so are kept.
    """

    local_codes: Literal["keep", "drop"] = "keep"
    systems: dict[str, str] = {}
    profiles: tuple[str, ...] = ("",)


class Schedule(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """When it is delivered: at once, every so many ``minutes``, daily between two times of the site's day."""

    minutes: int = 0
    begin: str = ""
    end: str = ""


class Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How much at once: requests a second (0: any number), entries of a Bundle, patients at a time.

    ``seconds``: for so long an answer is waited for.
    """

    per_second: float = 0.0
    entries: int = 200
    concurrency: int = 4
    seconds: float = 30.0


class Login(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How we say who we are; secrets are files, named here.

    A token in a file, or one that is fetched (SMART Backend Services): from ``token_url``, for ``scope``, as
    ``client_id``, by an assertion signed with the key (JWK) in a file. A certificate (PEM) for TLS.
    """

    token_file: str = ""
    token_url: str = ""
    client_id: str = ""
    key_file: str = ""
    scope: str = "system/*.cruds"
    certificate_file: str = ""
    certificate_key_file: str = ""


class Messages(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """HL7 v2 messages: who sends and receives (MSH-3 to MSH-6), how they are written, and which there are.

    ``kinds`` of reports (``mappings/hl7v2/reports.json``); progress summaries (``summary``) only if named.
    ``enhanced``: the receiver answers that it accepted a message, not what became of it. ``files``: a folder
    gets messages instead of Bundles. The files of certificates are for ``mllps:``.
    """

    sending_application: str = "swallow-interop"
    sending_facility: str = ""
    receiving_application: str = ""
    receiving_facility: str = ""
    character_set: Literal["ASCII", "8859/1", "UNICODE UTF-8"] = "UNICODE UTF-8"
    enhanced: bool = False
    kinds: tuple[Literal["study", "training", "findings", "goal", "summary"], ...] = (
        "study",
        "training",
        "findings",
        "goal",
    )
    files: bool = False
    authorities_file: str = ""
    certificate_file: str = ""
    key_file: str = ""


class Destination(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One destination. ``address`` is a FHIR base, ``mllp://host:port`` or a folder, as the kind has it."""

    name: str
    kind: Literal["fhir", "mllp", "folder"]
    address: str
    filter: Filter = Filter()
    mapping: Mapping = Mapping()
    schedule: Schedule = Schedule()
    limits: Limits = Limits()
    login: Login = Login()
    messages: Messages = Messages()

    @property
    def gets_messages(self) -> bool:
        """Whether it gets HL7 v2 messages: of these ``filter.types`` says nothing, but ``messages.kinds``."""
        return self.kind == "mllp" or (self.kind == "folder" and self.messages.files)

    @property
    def feed(self) -> str:
        """The name under which is kept how far the changes were looked through for it."""
        return f"delivery/{self.name}"
