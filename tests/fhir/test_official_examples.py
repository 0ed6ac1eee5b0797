"""Every official example is valid R4, but for those in a kept table, each with the section it breaks."""

import pytest
from r4_examples import FOLDER, REFUSED

from service.errors import Severity
from service.fhir.json import parse
from service.fhir.validation import check

SOURCE = "hl7.fhir.r4.examples 4.0.1"


@pytest.mark.published(SOURCE)
def test_only_examples_that_break_the_standard_are_refused(tell):
    if not FOLDER.is_dir():
        raise FileNotFoundError("The official FHIR R4 examples are not there; run: make .cache/r4-examples")
    count, refused = 0, {}
    for file in sorted(FOLDER.glob("*-*.json")):
        count += 1
        issues = check(parse(file.read_bytes()))
        if errors := [issue for issue in issues if issue.severity is Severity.ERROR]:
            refused[file.name] = [(issue.place.expression, issue.message) for issue in errors[:3]]
    assert {name: why for name, why in refused.items() if name not in REFUSED} == {}
    assert REFUSED.keys() - refused.keys() == set()
    assert count == 5306
    tell(
        f"{count} official examples validated, {len(refused)} refused, each with its section of the standard"
    )
