"""Visits that are loaded while the way loses, doubles and refuses requests, and the receiver is killed."""

from pathlib import Path

import pytest
from delivered_through import assert_once_and_in_order, two_services, until_all_is_there
from processes import run, token

VISITS = sorted((Path(__file__).parents[2] / "examples" / "visits").glob("demo-0[12]-*.yaml"))


@pytest.mark.conformance("J10")
@pytest.mark.conformance("J10")
@pytest.mark.published("FHIR R4 http.html: conditional create and If-Match make repeated requests harmless")
def test_every_resource_is_there_once_and_in_order(tmp_path):
    limits = {"seconds": 3.0, "concurrency": 3, "entries": 60}
    with two_services(tmp_path, seed=4, faulty=0.3, limits=limits) as (sender, receiver, way):
        keys = token(tmp_path / "here"), receiver.token
        for some in (VISITS[:9], VISITS[9:]):
            run("load", *some, "--url", sender.url, "--token-file", keys[0])
            receiver.kill_and_restart()
        until_all_is_there(tmp_path, 60)
        assert_once_and_in_order(sender, receiver, keys)
    assert len(way.met) > 4, way.met
