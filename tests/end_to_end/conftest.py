"""A demo that runs to its end beside the other tests of this folder: nearly all of its minute is waiting."""

import os
import subprocess
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest
from demo_processes import Demo
from sitetest_process import start_agent


@pytest.fixture(scope="session")
def demo_to_its_end(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    """Begin with whoever asks first."""
    home = tmp_path_factory.mktemp("demo")
    agent = start_agent(home, "demo", "--site", str(home / "shop"), "--json")
    began_s = time.monotonic()

    def wait() -> tuple[str, str, int, float]:
        out, err = agent.communicate()
        return out, err, agent.returncode, time.monotonic() - began_s

    with ThreadPoolExecutor(1) as beside:
        yield Demo(home / "shop", beside.submit(wait))
        if agent.poll() is None:
            agent.terminate()
            try:
                agent.wait(10)
            except subprocess.TimeoutExpired:
                agent.kill()


@pytest.fixture(autouse=True)
def _demo_beside(request: pytest.FixtureRequest) -> None:
    """Let the demo begin with the first test of the folder, when the test that waits for it is to run as well.

    Where several workers share the tests, others run beside it anyway, and each of them would begin one.
    """
    if "PYTEST_XDIST_WORKER" in os.environ:
        return
    if any("demo_to_its_end" in getattr(item, "fixturenames", ()) for item in request.session.items):
        request.getfixturevalue("demo_to_its_end")
