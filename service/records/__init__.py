"""The visit record: reading, rules, and its way into FHIR and back to the numbers."""
