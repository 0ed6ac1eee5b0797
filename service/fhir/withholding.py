"""Which Consents may withhold something (FHIR R4 consent.html): what is looked at before an answer is given.

Told at filing, so that a read knows without another look whether there is anything to judge. What a Consent
really withholds, and from whom, is judged where it is read.
"""

from service.fhir.json import Tree

__all__ = ["FROM_RESEARCH", "FROM_USE", "WITHHOLDS", "withheld_from"]

WITHHOLDS = "Consent.withholds"
"""The index under which such Consents are filed: with their patient, and across all patients."""
FROM_USE, FROM_RESEARCH = "use", "research"
"""From what: from any use, or from research alone, for which nearly everybody has a Consent."""
_SCOPE = "http://terminology.hl7.org/CodeSystem/consentscope"
_PERMITTING = frozenset({"OPTIN", "OPTINR"})
"""Base policies (v3-ActCode) that permit what no provision denies."""
_PLAIN: tuple[Tree, ...] = ({}, {"type": "permit"})


def withheld_from(consent: Tree) -> str:
    """Answer from what a Consent may withhold something; empty for a plain permission or one not in force."""
    codings = consent.get("scope", {}).get("coding", ())
    scopes = {coding.get("code") for coding in codings if coding.get("system") == _SCOPE}
    research = scopes == {FROM_RESEARCH}
    in_force = consent.get("status") == "active" and ("modifierExtension" in consent or not _permits(consent))
    withdrawn = research and consent.get("status") == "inactive"
    if not (in_force or withdrawn):
        return ""
    return FROM_RESEARCH if research else FROM_USE


def _permits(consent: Tree) -> bool:
    policies = {coding.get("code") for coding in consent.get("policyRule", {}).get("coding", ())}
    return consent.get("provision", {}) in _PLAIN and policies <= _PERMITTING
