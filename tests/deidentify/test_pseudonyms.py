import random
from uuid import UUID

from service.deidentify.pseudonyms import Pseudonyms


def chance(seed=1):
    return random.Random(seed).getrandbits  # noqa: S311 - chance that can be repeated


def test_an_id_is_drawn_once_and_is_a_random_uuid():
    names = Pseudonyms({}, chance())
    first = names.of("Patient/1")
    assert names.of("Patient/1") == first
    assert names.of("Patient/2") != first
    assert UUID(first).version == 4


def test_the_same_person_gets_another_id_from_other_chance():
    of = [Pseudonyms({}, chance(seed)).of("Patient/1") for seed in (1, 2)]
    assert of[0] != of[1]


def test_known_names_are_kept_and_new_ones_are_added_to_the_caller_s_mapping():
    known = {"Patient/1": "7a0e9d5c-0000-4000-8000-000000000000"}
    names = Pseudonyms(known, chance())
    assert names.of("Patient/1") == "7a0e9d5c-0000-4000-8000-000000000000"
    added = names.of("Goal/1")
    assert known["Goal/1"] == added
