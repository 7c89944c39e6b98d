"""Fixtures for all tests: no test reads or writes the user's own data, and none depends on the clock."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest

# one thread each: the suite must not depend on how many cores a machine has
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("MPLBACKEND", "Agg")
# the tests start many processes of the program, which would each compile all of it anew
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# no limits in seconds: the suite must hold on a machine that is busy with other things
hypothesis.settings.register_profile(
    "spotwright",
    deadline=None,
    derandomize="CI" in os.environ,
    suppress_health_check=[hypothesis.HealthCheck.too_slow],
)
hypothesis.settings.load_profile("spotwright")

ROOT = Path(__file__).parents[1]


@pytest.fixture(autouse=True, scope="session")
def own_data_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The user data folder, moved to a temporary folder of this run."""
    folder = tmp_path_factory.mktemp("user-data")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(folder))
        yield folder


@pytest.fixture(scope="session")
def root() -> Path:
    """The top of the checkout."""
    return ROOT
