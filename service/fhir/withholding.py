"""Which Consents may withhold something (FHIR R4 consent.html): what is looked at before an answer is given.

Told at filing, so that a read knows without another look whether there is anything to judge. What a Consent
really withholds, and from whom, is judged where it is read.
"""

from service.fhir.json import Tree

__all__ = ["WITHHOLDS", "may_withhold"]

WITHHOLDS = "Consent.withholds"
"""The index under which such Consents are filed: with their patient, and across all patients."""
_PERMITTING = frozenset({"OPTIN", "OPTINR"})
"""Base policies (v3-ActCode) that permit what no provision denies."""
_PLAIN: tuple[Tree, ...] = ({}, {"type": "permit"})


def may_withhold(consent: Tree) -> bool:
    """Whether a Consent is more than a plain permission: in force, or a withdrawal from research."""
    policies = {coding.get("code") for coding in consent.get("policyRule", {}).get("coding", ())}
    plain = consent.get("provision", {}) in _PLAIN and policies <= _PERMITTING
    if consent.get("status") == "inactive":
        return any(coding.get("code") == "research" for coding in consent.get("scope", {}).get("coding", ()))
    return consent.get("status") == "active" and ("modifierExtension" in consent or not plain)
