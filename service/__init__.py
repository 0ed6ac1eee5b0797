"""Swallow-study findings, skill-training visits, home plans and goals as HL7 FHIR R4."""

__version__ = "0.1.0"
