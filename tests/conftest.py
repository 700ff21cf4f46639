"""What all tests share: nothing is written into the user's own cache, and hypothesis repeats itself."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import settings

settings.register_profile("fitcheck", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("fitcheck")

# Numpy is not loaded yet. Several test processes share the cores: threads of its matrix products would only wait for
# each other, and double the processor time of a scan's preparation.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.fixture(scope="session", autouse=True)
def _own_cache_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Every place where a system keeps a user's caches points into the test run's own folder.

    All processes of a run share it: the sample's scan is prepared, and its pairs are judged, once for all tests that
    do not ask for a fresh answer.
    """
    folder = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        folder = folder.parent
    folder = folder / "cache"
    folder.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        for name in ("XDG_CACHE_HOME", "LOCALAPPDATA", "FITCHECK_CACHE_DIR"):
            patch.setenv(name, str(folder))
        yield
