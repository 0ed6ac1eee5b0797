"""What of a Consent this service can't enforce as it is meant, told to whoever writes it."""

from service.errors import Issue, IssueType, Place, Severity
from service.fhir.json import Tree
from service.security.consent import read_consent

__all__ = ["consent_doubts"]


def consent_doubts(tree: Tree, *, at: str = "") -> tuple[Issue, ...]:
    """Answer a warning for each element of an active Consent that can't be judged; nothing for other types.

    ``at`` is where the resource stands, ``Bundle.entry[3].resource``.
    """
    if tree.get("resourceType") != "Consent":
        return ()
    return tuple(
        Issue(
            f"{why} Whatever this rule may be about is refused in doubt.",
            Severity.WARNING,
            IssueType.NOT_SUPPORTED,
            Place(f"{at}{where.removeprefix('Consent')}" if at else where),
        )
        for where, why in read_consent(tree).doubts
    )
