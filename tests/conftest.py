"""What every test may lean on."""

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, settings

from athwart.cli import main

# The suite draws the same examples every time, so that a test never fails by chance.
# HYPOTHESIS_PROFILE=long draws new ones, and fifty times as many where `strategies.examples` sets
# their number.
# A busy machine draws slowly; that is no fault of a test.
settings.register_profile(
    "suite",
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("long", database=None, deadline=None, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "suite"))

CHROMIUM = next(
    (
        p
        for p in map(
            Path, ("/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome")
        )
        if p.exists()
    ),
    None,
)
ARGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(
    params=[float, np.asarray, lambda v: np.full((3, 2), v)], ids=["scalar", "0-d", "2-d"]
)
def shaped(request):
    """Turn a number into a scalar, a 0-d and a 2-d array: every formula takes all three."""
    return request.param


@pytest.fixture
def run(capsys):
    """Run a command line in this process; its exit code and what it printed, never a traceback."""

    def call(*words):
        with pytest.raises(SystemExit) as done:
            main([str(w) for w in words])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        assert "something went wrong inside" not in err
        return done.value.code, out, err

    return call


@pytest.fixture(scope="module")
def browser():
    """Headless Chromium, without the network services it would start of itself."""
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("there is no Chromium on this machine")
    with api.sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=str(CHROMIUM), args=ARGS)
        yield chromium
        chromium.close()
