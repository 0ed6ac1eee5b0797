"""Certificates of invented authorities."""

import pytest
from certificates import make_certificates


@pytest.fixture(scope="session")
def certificates(tmp_path_factory):
    """A folder with an authority's certificate, and those of a server and a client with their keys."""
    return make_certificates(tmp_path_factory.mktemp("certificates"))
