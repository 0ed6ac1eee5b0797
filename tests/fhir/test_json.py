import json
import time
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import InvalidInput
from service.fhir.json import dump, parse, parse_list, reread, sorted_text, stamp

EXACT = (
    b'{"a":72.50,"b":1.0E2,"c":0.0000001,"d":-0,"e":-0.0,"f":123456789012345678901234567890,"g":1e400,'
    b'"h":[null,"x"],"z":{"_y":true},"b2":"\xc3\xa9"}'
)


@pytest.mark.conformance("A19")
def test_numbers_order_and_nulls_come_back_in_their_own_text():
    assert dump(parse(EXACT)) == EXACT


def test_decimals_can_be_computed_with():
    tree = parse(EXACT)
    assert tree["a"] + 1 == Decimal("73.50")
    assert tree["b"] == 100


@pytest.mark.conformance("A20")
@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            b'{"a":1,\n "b":{"c":1,"c":2}}',
            "The member 'c' is given twice in the same object; keep one (line 2, column 13).",
        ),
        (b'{"a":1} x', "there is text after the end of the object (line 1, column 9)."),
        (b'{\n// no\n"a":1}', "comments are not allowed (line 2, column 1)."),
        (b'{"a":NaN}', "NaN is not a JSON number."),
        (b'{"a":-Infinity}', "-Infinity is not a JSON number."),
        (b'{"a":"\xff"}', "The text is not UTF-8: byte 7 can't be read."),
        (b'{"a":"\\ud800"}', "half of a surrogate pair"),
        (b'{"a":"\\u0000"}', "the character \\u0000, which FHIR does not allow (line 1, column 7)."),
        (b'[{"a":1}]', "The JSON text must be one object, beginning with '{' (line 1, column 1)."),
        (b'"a"', "must be one object"),
        (b"", "expecting value (line 1, column 1)."),
        (b'{"a":1e99999999999999999999999}', "out of range"),
        (b'{"a":' + b"9" * 5000 + b"}", "a number of 5000 digits is too long"),
        (b'{"a":01}', "expecting ',' delimiter"),
        (b'{"a":1.}', "expecting ',' delimiter"),
        (b'{"a":1,}', "(line 1, column "),
        (b"{'a':1}", "property name enclosed in double quotes"),
        (b'{"a":"\n"}', "invalid control character"),
    ],
)
def test_what_is_not_strict_json_is_refused_with_its_place(text, sentence):
    with pytest.raises(InvalidInput) as refused:
        parse(text)
    assert sentence in str(refused.value)


def test_a_byte_order_mark_is_read_over():
    assert parse(b'\xef\xbb\xbf{"a":1}') == {"a": 1}


@pytest.mark.parametrize("bracket", [b"[", b'{"a":', b"[{"])
def test_ten_megabytes_of_brackets_are_refused_quickly(bracket):
    text = b'{"a":' + bracket * (10_000_000 // len(bracket))
    started = time.monotonic()
    with pytest.raises(InvalidInput, match="nested deeper than 64 levels"):
        parse(text)
    assert time.monotonic() - started < 5


def test_a_long_string_that_never_ends_is_refused_quickly():
    began = time.perf_counter()
    with pytest.raises(InvalidInput, match="nested deeper than 64 levels"):
        parse("[" * 65 + '"' + '\\"' * 100_000)
    assert time.perf_counter() - began < 5


def test_a_repeated_name_before_a_long_string_that_never_ends_is_refused_quickly():
    began = time.perf_counter()
    with pytest.raises(InvalidInput, match="given twice"):
        parse('[{"a":1,"a":2},"' + '\\"' * 100_000)
    assert time.perf_counter() - began < 5


@pytest.mark.parametrize(
    "text",
    [
        '{"a":1,"b":{"c":1,"c":2}}',
        '{"a" :1,"a":2}',
        '{"a"\n:1,"b":"x","a":2}',
        '{"a\\\\":1,"a\\\\":2}',
        '{"a\\"":1,"a\\"":2}',
        '{"t":"say \\":","a":1,"a":2}',
        '{"t":"say \\" :\\":","a" :1,"a":2}',
        '[{"a":1},{"a":1,"\\u0061":2}]',
    ],
)
def test_a_name_given_twice_is_refused_however_it_is_written(text):
    with pytest.raises(InvalidInput, match="given twice"):
        (parse_list if text.startswith("[") else parse)(text)


@pytest.mark.parametrize(
    ("text", "tree"),
    [
        ('{"t":"say \\":\\" :","a" : 1}', {"t": 'say ":" :', "a": 1}),
        ('{"a\\\\":[{"a":1},{"a":1}]}', {"a\\": [{"a": 1}, {"a": 1}]}),
        ("[" * 63 + "7" + "]" * 63, None),
    ],
)
def test_what_needs_a_closer_look_is_read_the_same(text, tree):
    assert parse('{"x":' + text + "}", max_depth=64)["x"] == (json.loads(text) if tree is None else tree)


@pytest.mark.parametrize("digits", [1_001, 4_000, 5_000])
def test_a_whole_number_that_is_too_long_is_refused(digits):
    with pytest.raises(InvalidInput, match="too long"):
        parse('{"a":[1,' + "7" * digits + "]}")


def test_brackets_inside_strings_are_not_depth():
    assert parse(b'{"a":"' + b"[" * 500 + b'"}')["a"] == "[" * 500


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (
            b'{"resourceType":"X"}',
            b'{"resourceType":"X","id":"7","meta":{"versionId":"2","lastUpdated":"T"}}',
        ),
        (b"{}", b'{"id":"7","meta":{"versionId":"2","lastUpdated":"T"}}'),
        (b'{ "a" : 1.0E2 }', b'{"id":"7","meta":{"versionId":"2","lastUpdated":"T"}, "a" : 1.0E2 }'),
        (
            b'{"meta": {"tag" : [{"a":"}"}], "versionId":"9"}, "x" : 7.0,"id": "old" , "resourceType":"X"}',
            (
                b'{"meta": {"lastUpdated":"T","tag" : [{"a":"}"}], "versionId":"2"}, "x" : 7.0,"id": "7" , '
                b'"resourceType":"X"}'
            ),
        ),
        (
            b'{"resourceType":"X","meta":{}}',
            b'{"resourceType":"X","id":"7","meta":{"versionId":"2","lastUpdated":"T"}}',
        ),
    ],
)
def test_stamp_changes_only_id_and_version(before, after):
    assert stamp(before, id_="7", version=2, last_updated="T") == after


scalars = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")),
    st.decimals(allow_nan=False, allow_infinity=False),
)
trees = st.recursive(
    scalars, lambda inner: st.lists(inner) | st.dictionaries(st.text('abc{}\\"'), inner), max_leaves=20
)


@given(st.dictionaries(st.text('xyz"\\'), trees))
def test_any_tree_survives_writing_reading_and_stamping(tree):
    assert parse(dump(tree)) == tree
    stamped = parse(stamp(dump(tree), id_="1", version=1, last_updated="T"))
    assert {k: v for k, v in stamped.items() if k not in ("id", "meta")} == tree


@given(st.dictionaries(st.text('xyz"\\'), trees))
def test_what_was_kept_is_reread_the_same(tree):
    kept = dump(tree)
    assert reread(kept) == parse(kept)
    assert dump(reread(kept)) == kept


@pytest.mark.parametrize(
    "number", ["-0", "-0.0", "1.0E2", "1e400", "0.0000001", "72.50", "18446744073709551616", "9" * 1_000]
)
def test_reread_numbers_keep_their_text(number):
    for kept in (f'{{"a":{number}}}', f'{{"a":[{number} ]}}'):
        assert sorted_text(reread(kept.encode())) == sorted_text(parse(kept))
