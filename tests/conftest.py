"""What all tests share: nothing is written into the user's own cache, and hypothesis repeats itself."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import settings

settings.register_profile("fitcheck", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("fitcheck")


@pytest.fixture(scope="session", autouse=True)
def _own_cache_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Every place where a system keeps a user's caches points into the test run's own folder."""
    with pytest.MonkeyPatch.context() as patch:
        folder = tmp_path_factory.mktemp("cache")
        for name in ("XDG_CACHE_HOME", "LOCALAPPDATA", "FITCHECK_CACHE_DIR"):
            patch.setenv(name, str(folder))
        yield
