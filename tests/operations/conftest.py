"""The demo, taken in once for all files that only read it."""

import pytest
from demo_store import Demo


@pytest.fixture(scope="session")
def whole_demo(tmp_path_factory):
    """Everybody's records; nothing may be written to it."""
    demo = Demo.of(tmp_path_factory.mktemp("demo"))
    yield demo
    demo.run(demo.store.close())
