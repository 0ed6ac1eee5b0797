import pytest

from service.attainment.reliable_change import RELIABILITIES, Reliability, cut_off, reliable_change


@pytest.mark.published("from memory of Jacobson & Truax 1991: 32.5 to 47.5, SD 7.54, r 0.88, RC 4.06")
def test_the_papers_example():
    known = Reliability(7.54, 0.88, "the paper")
    assert known.error == pytest.approx(3.69, abs=5e-3)
    assert 15 / known.error == pytest.approx(4.06, abs=5e-3)


@pytest.mark.published(
    "from memory of Jacobson & Truax 1991: criterion c between 60 and 40, SD 7.5 both, is 50"
)
def test_the_cut_off_lies_between_two_groups():
    assert cut_off(60, 7.5, 40, 7.5) == 50
    assert cut_off(60, 5, 40, 15) == 55  # nearer to the group that spreads less


@pytest.mark.parametrize(
    ("after", "index", "reliable"),
    [(14, -2.1871, True), (15, -1.9684, True), (16, -1.7497, False), (24, 0, False)],
)
def test_nine_points_of_the_eat10_are_reliable(after, index, reliable):
    found = reliable_change("eat10-total", 24, after)
    assert found.index == pytest.approx(index, abs=5e-5)
    assert found.threshold == pytest.approx(8.962, abs=5e-4)
    assert (found.reliable, found.approximate) == (reliable, True)


def test_a_worsening_is_as_reliable_as_a_gain():
    assert reliable_change("eat10-total", 15, 26).index == -reliable_change("eat10-total", 26, 15).index
    assert reliable_change("eat10-total", 15, 26).reliable


@pytest.mark.parametrize("measure", ["closure-accuracy", "airway-entry-group", "oral-intake-level"])
def test_without_published_reliability_nothing_is_made_up(measure):
    found = reliable_change(measure, 1, 5)
    assert (found.index, found.threshold, found.reliable) == (None, None, None)
    assert found.reason == "no agreed important difference"


def test_every_reliability_names_its_source():
    assert all(one.source and 0 < one.retest < 1 < one.deviation for one in RELIABILITIES.values())
