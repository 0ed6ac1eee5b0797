"""FHIR R4 as data: text, elements, references, bundles, search keys, validation, outcomes."""
