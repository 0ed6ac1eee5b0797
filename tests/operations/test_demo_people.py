"""The demo's clinician token belongs to somebody who is on every demo person's care team."""

from service.records.reading import read_record
from service.shipped import shipped

CLINICIAN = "slp-01"


def test_the_demo_clinician_is_on_every_care_team():
    teams: dict[str, set[str]] = {}
    for path in shipped("examples", "visits").glob("*.yaml"):
        tree = read_record(path.read_bytes(), "yaml").tree
        team = teams.setdefault(tree["patient"]["value"], set())
        team |= {one["identifier"]["value"] for one in tree.get("care_team", [])}
        team.add(tree["visit"]["clinician"]["identifier"]["value"])
    assert len(teams) == 5
    assert [person for person, team in teams.items() if CLINICIAN not in team] == []
