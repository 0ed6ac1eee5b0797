import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import Forbidden
from service.security.scopes import Grant, Scopes, require


@pytest.mark.published("SMART App Launch 2.2, scopes-and-launch-context.html: cruds letters and wildcard")
@pytest.mark.conformance("I4")
@pytest.mark.parametrize(
    ("scope", "interaction", "type_", "allowed"),
    [
        ("system/*.cruds", "d", "Patient", True),
        ("user/*.rs", "r", "Observation", True),
        ("user/*.rs", "c", "Observation", False),
        ("user/Observation.rs", "s", "Observation", True),
        ("user/Observation.rs", "r", "Patient", False),
        ("system/Observation.c", "u", "Observation", False),
        ("system/Goal.ud system/Goal.c", "c", "Goal", True),
        ("patient/Goal.rs", "r", "Goal", True),
        ("patient/*.rs", "u", "Goal", False),
    ],
)
def test_what_a_scope_allows(scope: str, interaction: str, type_: str, allowed: bool) -> None:
    assert Scopes.parse(scope).allow(interaction, type_) is allowed


@pytest.mark.published(
    "SMART App Launch 2.2, scopes-and-launch-context.html: scopes of version 1 and what they equal"
)
@pytest.mark.conformance("I4")
@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("user/Observation.read", "user/Observation.rs"),
        ("patient/Goal.write", "patient/Goal.cud"),
        ("system/*.*", "system/*.cruds"),
        ("user/Patient.*", "user/Patient.cruds"),
    ],
)
def test_scopes_of_the_first_version_mean_their_equals(first: str, second: str) -> None:
    assert Scopes.parse(first) == Scopes.parse(second) != Scopes()


CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category|laboratory"


@pytest.mark.published("SMART App Launch 2.2, scopes-and-launch-context.html: finer-grained constraints")
@pytest.mark.conformance("I4")
@pytest.mark.parametrize(
    ("query", "filters"),
    [
        (f"category={CATEGORY}", (("category", CATEGORY),)),
        ("category=http%3A%2F%2Fexample.org%7Ca%20b", (("category", "http://example.org|a b"),)),
        ("status=final,amended&code=x", (("status", "final,amended"), ("code", "x"))),
        ("_security=N&status=final", (("_security", "N"), ("status", "final"))),
    ],
)
def test_a_query_part_narrows_a_scope(query: str, filters: tuple[tuple[str, str], ...]) -> None:
    scopes = Scopes.parse(f"user/Observation.rs?{query} user/Observation.c")
    narrowed = Grant("user", "Observation", frozenset("rs"), filters)
    assert scopes.grants_for("r", "Observation") == (narrowed,)
    assert scopes.grants_for("c", "Observation") == (Grant("user", "Observation", frozenset("c")),)
    assert scopes.grants_for("r", "Patient") == ()


def test_every_grant_that_speaks_of_a_type_is_answered() -> None:
    scopes = Scopes.parse("user/*.rs patient/Goal.rs?lifecycle-status=active system/Goal.s")
    assert [grant.level for grant in scopes.grants_for("r", "Goal")] == ["user", "patient"]
    assert [grant.level for grant in scopes.grants_for("s", "Goal")] == ["user", "patient", "system"]
    assert Scopes.parse("user/*.rs?_security=N").grants_for("r", "Goal")[0].filters == (("_security", "N"),)


def test_who_may_read_what_was_recorded_of_accesses_may_read_nothing_else() -> None:
    scopes = Scopes.parse("audit-read")
    assert scopes.grants == (Grant("system", "AuditEvent", frozenset("rs")),)
    assert scopes.grant("AuditEvent.rs")
    assert not scopes.grant("Patient.r")


def test_scopes_about_a_patient_need_a_token_that_names_one() -> None:
    assert Scopes.parse("patient/*.rs user/Goal.r", patient=False) == Scopes.parse("user/Goal.r")


@pytest.mark.conformance("I4")
@pytest.mark.parametrize(
    "scope",
    [
        "user/Observation.rs?date=ge2026",
        "user/Observation.rs?patient=1",
        "user/Observation.rs?category:in=x",
        "user/Observation.rs?category",
        "user/Observation.rs?category=",
        "user/Observation.rs?category=x&date=2026",
        "user/Observation.rs?subject:Patient.identifier=x",
        "user/Observation.rs?category=%FF",
        "user/Observation.rs?",
        "user/Observation.read?category=x",
        "user/*.rs?category=x",
        "user/Nothing.rs?code=x",
        "user/*.reads",
        "user/*.sr",
        "user/*.",
        "user/*.rsx",
        "USER/*.rs",
        "system/observation.rs",
        "intake2",
        "launch/patient",
        "",
    ],
)
def test_a_scope_that_cannot_be_honoured_grants_nothing(scope: str) -> None:
    assert Scopes.parse(scope) == Scopes()


@given(st.text(max_size=40) | st.from_regex(r"user/Observation\.rs\?[ -~]{0,20}"))
def test_any_text_is_read_without_an_error(text: str) -> None:
    Scopes.parse(text)


def test_plain_words_stand_beside_clinical_scopes() -> None:
    scopes = Scopes.parse("user/*.rs intake goal-decisions")
    assert scopes.grant("intake")
    assert not scopes.grant("research-export")
    assert scopes.grant("Goal.rs")
    assert not scopes.grant("Goal.rsu")
    assert scopes.grant("*.cr")
    assert not scopes.grant("*.cud")


def test_require_takes_any_alternative_and_names_them_all() -> None:
    scopes = Scopes.parse("user/Goal.s")
    require(scopes, ["intake", "Goal.s"])
    with pytest.raises(Forbidden, match=r"needs the scope 'intake' or 'Goal\.s Observation\.s'"):
        require(scopes, ["intake", "Goal.s Observation.s"])
