import json

import pytest
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection

from service import errors
from service.errors import Issue, Place, ServiceError
from service.rest.errors import error_answer

WITH_TOKEN = HTTPConnection(
    {"type": "http", "headers": [(b"authorization", b"Bearer x")], "query_string": b""}
)
LEAVES = [getattr(errors, name) for name in errors.__all__]
LEAVES = [leaf for leaf in LEAVES if isinstance(leaf, type) and issubclass(leaf, ServiceError)]


@pytest.mark.conformance("A15")
@pytest.mark.parametrize("kind", LEAVES)
def test_every_error_of_the_tree_becomes_an_outcome_with_its_status(kind: type[ServiceError]) -> None:
    answer = error_answer(
        kind(Issue("This is wrong.", code=kind.code, place=Place(expression="Patient.name")))
    )
    outcome = json.loads(answer.body)
    assert answer.status_code == kind.status
    assert answer.headers["content-type"] == "application/fhir+json"
    assert outcome["resourceType"] == "OperationOutcome"
    (issue,) = outcome["issue"]
    assert issue["severity"] == "error"
    assert issue["code"] == kind.code
    if kind is not ServiceError:
        assert issue["details"]["text"] == "This is wrong."
        assert issue["expression"] == ["Patient.name"]


@pytest.mark.conformance("A15")
@pytest.mark.parametrize(
    "error", [ServiceError("Ada Lovelace"), RuntimeError("Ada Lovelace"), KeyError("Ada")]
)
def test_what_is_broken_inside_is_never_told(error: Exception) -> None:
    answer = error_answer(error)
    assert answer.status_code == 500
    assert b"Ada" not in answer.body


def test_all_problems_are_told_at_once() -> None:
    problems = errors.RuleViolation(
        [Issue("One.", rule="r-1"), Issue("Two.", place=Place(pointer="/a", line=3))]
    )
    one, two = json.loads(error_answer(problems).body)["issue"]
    assert one["details"]["coding"][0]["code"] == "r-1"
    assert two["diagnostics"] == "/a (line 3)"


@pytest.mark.published("RFC 6750 section 3: WWW-Authenticate with and without a token")
def test_challenges() -> None:
    without = error_answer(errors.Unauthenticated("No."))
    wrong = error_answer(errors.Unauthenticated("No."), WITH_TOKEN)
    forbidden = error_answer(errors.Forbidden("No."), WITH_TOKEN)
    assert without.headers["www-authenticate"] == 'Bearer realm="swallow-interop"'
    assert 'error="invalid_token"' in wrong.headers["www-authenticate"]
    assert 'error="insufficient_scope"' in forbidden.headers["www-authenticate"]


def test_a_busy_store_says_when_to_try_again() -> None:
    assert error_answer(errors.StoreUnavailable("Later.")).headers["retry-after"] == "1"


def test_405_keeps_its_allow_header() -> None:
    answer = error_answer(HTTPException(405, headers={"Allow": "GET"}))
    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET"
    assert b"not offered at this address; there are: GET." in answer.body


def test_other_http_exceptions_keep_their_status_and_lose_their_detail() -> None:
    answer = error_answer(HTTPException(418, detail="Ada Lovelace"))
    assert answer.status_code == 418
    assert b"Ada" not in answer.body


def test_an_unreadable_parameter_is_named_and_its_value_is_not() -> None:
    fault = {"loc": ("query", "date"), "msg": "Input should be a valid date", "input": "Ada"}
    answer = error_answer(RequestValidationError([fault]))
    assert answer.status_code == 400
    assert b"'date'" in answer.body
    assert b"Ada" not in answer.body
