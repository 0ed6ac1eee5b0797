"""The published definitions of FHIR R4 (hl7.fhir.r4.core 4.0.1), fetched once by make."""

from pathlib import Path

FOLDER = Path(__file__).parents[1] / ".cache" / "r4-core" / "package"
