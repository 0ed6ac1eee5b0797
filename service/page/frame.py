"""What stands around every page of one request, whichever template is filled."""

from contextvars import ContextVar
from dataclasses import dataclass

from service.page.sections import PATIENTS, Section
from service.security.emergency import Emergency

__all__ = ["Entrance", "Frame", "begin_frame", "frame"]


@dataclass(frozen=True, slots=True)
class Entrance:
    """A place to sign in: its name, and the address where it begins."""

    name: str
    to: str


@dataclass(slots=True)
class Frame:
    """What is known of the request so far.

    ``development``: tokens of the built-in issuer are believed. ``sections`` are those the caller may open,
    none while nobody has signed in. ``breakable`` is where the caller may break
    the glass for the person of this address, ``emergency`` the glass that is broken, ``left``: it was, and
    this page is beyond that person's record.
    """

    entrances: tuple[Entrance, ...] = ()
    development: bool = False
    sections: tuple[Section, ...] = ()
    breakable: str = ""
    emergency: Emergency | None = None
    left: bool = False

    @property
    def home(self) -> str:
        """The first page that the caller may see."""
        return self.sections[0].address if self.sections else PATIENTS.address


_frame: ContextVar[Frame | None] = ContextVar("frame", default=None)


def begin_frame(entrances: tuple[Entrance, ...], *, development: bool) -> Frame:
    """Begin what stands around the pages of this request."""
    begun = Frame(entrances, development)
    _frame.set(begun)
    return begun


def frame() -> Frame:
    """Answer it."""
    return _frame.get() or Frame()
