"""The sections of the page: where each begins and whose token opens it.

Whoever signs in may open one of them at least. A token without the scopes of a section sees no link to it.
"""

from dataclasses import dataclass

from service.page.wanted import FIRST
from service.security.scopes import OPERATE, RESEARCH_EXPORT, Scopes, granted

__all__ = ["COHORT", "OPERATIONS", "PATIENTS", "SECTIONS", "Section", "landing", "open_sections"]

READ = (
    "Patient",
    "Goal",
    "Observation",
    "Encounter",
    "Condition",
    "Flag",
    "CarePlan",
    "ServiceRequest",
    "QuestionnaireResponse",
)


@dataclass(frozen=True, slots=True)
class Section:
    """``address`` is its first page, ``needs`` the scopes that every page of it takes, by spaces."""

    address: str
    name: str
    needs: str

    def has(self, address: str) -> bool:
        """Whether a page lies in it, by its address; the section of patients has what no other has."""
        return address.startswith(self.address)


PATIENTS = Section(FIRST, "Patients", " ".join(f"{type_}.rs" for type_ in READ))
COHORT = Section("/app/cohort", "Cohort", RESEARCH_EXPORT)
OPERATIONS = Section("/app/operations", "Operations", OPERATE)
SECTIONS = (PATIENTS, COHORT, OPERATIONS)


def open_sections(scopes: Scopes) -> tuple[Section, ...]:
    """The sections that these rights open."""
    return tuple(one for one in SECTIONS if granted(scopes, one.needs))


def landing(address: str, scopes: Scopes) -> str:
    """Where a sign-in leads that asked for ``address``: there, or to the first page that it may see."""
    found = open_sections(scopes)
    asked = next(one for one in reversed(SECTIONS) if one.has(address))
    return address if asked in found or not found else found[0].address
