"""Limits of attention cues from the settings."""

from fractions import Fraction

import pytest

from service.app import create_app
from service.attainment.cues import CueLimits
from service.errors import InvalidInput
from service.operations.cue_limits import cue_limits
from service.settings import Settings


def limits(text, **more):
    return cue_limits(Settings(cue_limits=text, **more))


def test_without_settings_they_are_the_usual_ones():
    assert limits("") == CueLimits()


def test_numbers_and_switches():
    found = limits("eat10_rise=12  over_confidence=0.6 red_flags=off group_worse=on intake_fall=off")
    assert found == CueLimits(
        eat10_rise=12, over_confidence=Fraction(3, 5), red_flags=False, intake_fall=None
    )


def test_a_safety_screen_is_current_as_long_as_the_rules_say():
    assert limits("", safety_screen_days=30).screen_days == 30
    assert limits("screen_days=60", safety_screen_days=30).screen_days == 60


@pytest.mark.parametrize(
    "wrong", ["fever=1", "eat10_rise", "eat10_rise=", "eat10_rise=-3", "red_flags=3", "="]
)
def test_what_cant_be_read_is_named_and_keeps_the_service_from_starting(wrong):
    with pytest.raises(InvalidInput, match="SWALLOW_CUE_LIMITS can't be read at: ") as refused:
        limits(f"intake_fall=2 {wrong}")
    assert "intake_fall," in str(refused.value).partition("names are")[2]
    with pytest.raises(InvalidInput):
        create_app(Settings(cue_limits=wrong))
