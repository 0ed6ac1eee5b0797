"""FHIRPath that nobody would write, on trees that are no FHIR: an answer or a ValueError, and soon."""

import re
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.fhir.fhirpath import _FUNCTIONS, compiled
from service.fhir.fhirpath.regexes import is_match, replaced

WORDS = (
    *(
        "Patient",
        "name",
        "given",
        "value",
        "extension",
        "birthDate",
        "contained",
        "$this",
        "$index",
        "$total",
    ),
    *(
        "%resource",
        "%context",
        "%ucum",
        "%nothing",
        "'a'",
        "''",
        "'\\\\'",
        "'http://x.example'",
        "1",
        "0",
        "1.50",
    ),
    *(
        "@2026",
        "@2026-02-30",
        "@T10:30",
        "@2026-02-04T10:00:00+14:00",
        "5 'mg'",
        "2 weeks",
        "{}",
        "true",
        "-",
    ),
    *(
        ".",
        "(",
        ")",
        "[",
        "]",
        ",",
        "+",
        "*",
        "/",
        "&",
        "|",
        "=",
        "~",
        "<",
        ">=",
        "is",
        "as",
        "in",
        "contains",
    ),
    *("and", "or", "implies", "div", "mod", "Quantity", "System.String", "`x y`", "//", "/*", "é", "\\"),
)
JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-5, 5)
    | st.just(Decimal("1.5"))
    | st.sampled_from(["", "x", "2026", "5 'mg'"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["resourceType", "name", "given", "_given", "value", "valueQuantity", "extension", "id"]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)
PATIENT = {
    "resourceType": "Patient",
    "birthDate": "2026-02-04",
    "name": [{"given": ["a", None], "_given": [None, {"id": "g"}]}],
    "extension": [{"url": "http://x.example", "valueQuantity": {"value": Decimal("1.0"), "code": "mg"}}],
}
ARGUMENTS = (
    "",
    "'a'",
    "1",
    "{}",
    "$this",
    "name",
    "@2026",
    "5 'mg'",
    "'(', 'b'",
    "1, 2",
    "$this > 1",
    "Quantity",
    "true, 1",
)
INPUTS = (
    "{}",
    "'a'",
    "1",
    "-1.5",
    "true",
    "@2026-02",
    "@T10:30",
    "5 'mg'",
    "Patient",
    "name",
    "(1 | 2)",
    "('a' | 1)",
)


@settings(max_examples=1_500, deadline=None)
@given(st.lists(st.sampled_from(WORDS), min_size=1, max_size=9).map(" ".join), JSON)
def test_any_text_on_any_tree(text, tree):
    try:
        found = compiled(text)
    except ValueError:
        return
    for one in (tree, PATIENT):
        for evaluate in (found.values, found.places):
            if evaluate == found.values or isinstance(one, dict):
                try:
                    assert isinstance(evaluate(one), (list, type(None)))
                except ValueError as refused:
                    assert str(refused).startswith("it ")  # noqa: PT017 - answering is right, too


@pytest.mark.parametrize("name", sorted(_FUNCTIONS))
def test_every_function_on_everything(name):
    for owner in INPUTS:
        for argument in ARGUMENTS:
            try:
                compiled(f"{owner}.{name}({argument})").values(PATIENT)
            except ValueError as refused:
                assert str(refused).startswith("it ")  # noqa: PT017 - answering is right, too


@pytest.mark.parametrize(
    "operator", ["+", "-", "*", "/", "div", "mod", "&", "|", "<", ">=", "=", "~", "in", "and", "is"]
)
def test_every_operator_between_everything(operator):
    for left in INPUTS:
        for right in (*INPUTS, "Quantity"):
            try:
                compiled(f"{left} {operator} {right}").values(PATIENT)
            except ValueError as refused:
                assert str(refused).startswith("it ")  # noqa: PT017 - answering is right, too


@pytest.mark.parametrize(
    ("pattern", "text"),
    [
        ("(a+)+$", "a" * 100_000 + "b"),
        ("(x+x+)+y", "x" * 100_000),
        ("([a-z]+)*[0-9]", "a" * 100_000),
        ("^(([a-z])+.)+[A-Z]([a-z])+$", "a" * 100_000),
        ("(.*)*(.*)*(.*)*!", "a" * 100_000),
    ],
)
def test_no_regular_expression_runs_for_ever(pattern, text):
    tree = {"resourceType": "Patient", "name": [{"text": text}]}
    assert compiled(f"name.text.matches('{pattern}')").values(tree) == [False]


@pytest.mark.parametrize(
    "pattern",
    ["(?=a)a", "(?<!a)b", r"(a)\\1", "(", "a{2000}", "((a{30}){30}){30}", "(.{0,900}x)?(.{0,900}y)?z"],
)
def test_a_pattern_without_a_bound_is_not_tried(pattern):
    with pytest.raises(ValueError, match="regular expression that can't be read"):
        compiled(f"'aab'.matches('{pattern}')").values({"resourceType": "Patient"})


def test_long_texts_count_as_much_work_as_they_are_long():
    tree = {"resourceType": "Patient", "name": [{"text": "a" * 1_000_000}]}
    with pytest.raises(ValueError, match="too long"):
        compiled("(1 | 2 | 3).select(%resource.name.text.matches('b'))").values(tree)


PATTERNS = ["a*", "b|c", "(a)(b)?", "", "[^a]", "x*", "^a", "b$", "."]


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(
    st.sampled_from(PATTERNS),
    st.text("ab\nß€😀", max_size=12),
    st.sampled_from(["", "-", "<$0>", "$1$1", "\\"]),
)
def test_replacing_is_what_pythons_expressions_do(pattern, text, new):
    groups = re.compile(pattern).groups
    if "$1" in new and not groups:
        return
    wanted = re.sub(
        pattern,
        lambda found: new.replace("$0", found[0]).replace("$1", (found[1] or "") if groups else ""),
        text,
        flags=re.DOTALL,
    )
    assert replaced(text, pattern, new) == wanted
    assert is_match(text, pattern, whole=True) == bool(re.fullmatch(pattern, text, re.DOTALL))
    if not pattern.endswith("$"):
        assert is_match(text, pattern) == bool(re.search(pattern, text, re.DOTALL))
