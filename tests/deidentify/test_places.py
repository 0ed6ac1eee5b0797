import json

import pytest

from service.deidentify.places import town, zip3, zip5
from service.shipped import shipped

TABLE = json.loads(shipped("mappings", "policies", "zip3-census-2000.json").read_text("utf-8"))
SEVENTEEN = [
    *("036", "059", "063", "102", "203", "556", "692", "790", "821"),
    *("823", "830", "831", "878", "879", "884", "890", "893"),
]


@pytest.mark.published(
    "HHS de-identification guidance 2012: 17 ZIP3 areas of the 2000 census, 45 CFR 164.514(b)(2)(i)(B)"
)
def test_the_table_is_the_published_one_with_its_census():
    assert TABLE["restricted"] == SEVENTEEN
    assert TABLE["census"] == 2000


@pytest.mark.published("45 CFR 164.514(b)(2)(i)(B)")
@pytest.mark.parametrize(
    ("code", "shown"),
    [
        ("03602", "000"),
        ("05901", "000"),
        ("10201", "000"),
        ("82190", "000"),
        ("88401-1234", "000"),
        ("02139", "021"),
        ("90210", "902"),
        ("59001", "590"),
        ("00501", "005"),
        ("", "000"),
        ("63", "000"),
        ("K1A 0B1", "000"),
        ("021", "000"),
        ("02139 c/o Sampleby", "000"),
        ("０２１３９", "000"),
    ],
)
def test_three_digits_only_where_more_than_20000_live(code, shown):
    assert zip3(code, TABLE["restricted"]) == shown


def test_without_a_table_nothing_is_shown():
    assert zip3("02139", []) == "000"


@pytest.mark.parametrize(
    ("code", "shown"),
    [
        ("02139", "02139"),
        ("02139-4307", "02139"),
        ("021394307", "02139"),
        ("K1A 0B1", None),
        ("02139 c/o", None),
    ],
)
def test_five_digits_of_a_zip_code(code, shown):
    assert zip5(code) == shown


@pytest.mark.parametrize(
    ("city", "shown"),
    [
        ("Boston", True),
        ("St. Mary's", True),
        ("Winston-Salem", True),
        ("Truth or Consequences", True),
        ("Cañon City", True),
        ("12 Main Street", False),
        ("Boston 555-0101", False),
        ("bram@example.org", False),
        ("a b c d e f", False),
        ("x" * 41, False),
        ("", False),
    ],
)
def test_a_town_is_a_few_words_of_letters(city, shown):
    assert town(city) == (city if shown else None)
