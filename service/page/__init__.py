"""The clinician's page."""
