"""HL7 v2.5.1: results as ORU messages, admissions as they come in, acknowledgements. Pure."""
