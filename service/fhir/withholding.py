"""Which Consents may withhold something (FHIR R4 consent.html): what is looked at before an answer is given.

Told at filing, so that a read knows without another look whether there is anything to judge. What a Consent
really withholds, and from whom, is judged where it is read.
"""

from collections.abc import Iterator

from service.fhir.json import Tree

__all__ = ["WITHHOLDS", "may_withhold"]

WITHHOLDS = "Consent.withholds"
"""The index under which such Consents are filed: with their patient, and across all patients."""
_PERMITTING = frozenset({"OPTIN", "OPTINR"})
"""Base policies (v3-ActCode) that permit what no provision denies."""


def may_withhold(consent: Tree) -> bool:
    """Whether an active Consent is more than a plain permission."""
    if consent.get("status") != "active":
        return False
    policies = [coding.get("code") for coding in consent.get("policyRule", {}).get("coding", ())]
    return (
        "modifierExtension" in consent
        or not _PERMITTING.issuperset(policies)
        or any(provision.get("type") == "deny" for provision in _provisions(consent))
    )


def _provisions(node: Tree) -> Iterator[Tree]:
    """The provision of a Consent and all below it, which are lists further down."""
    inner = node.get("provision", ())
    for provision in (inner,) if isinstance(inner, dict) else inner:
        yield provision
        yield from _provisions(provision)
