import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import Forbidden
from service.security.scopes import Scopes, require


@pytest.mark.published("SMART App Launch 2.2, scopes-and-launch-context.html: cruds letters and wildcard")
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
    ],
)
def test_what_a_scope_allows(scope: str, interaction: str, type_: str, allowed: bool) -> None:
    assert Scopes.parse(scope).allow(interaction, type_) is allowed


@pytest.mark.parametrize(
    "scope",
    [
        "patient/*.rs",
        "user/Observation.rs?category=laboratory",
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


@given(st.text(max_size=40))
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
