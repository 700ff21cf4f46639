"""Readers that cannot be fooled, file by file: the mesh that the file holds, or an error that says what is wrong."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from reader_corpus import CORPUS
from reading_case import Case, outcome

from fitcheck.errors import InputError
from fitcheck.geometry.meshes import read_scan


@pytest.mark.parametrize("case", CORPUS, ids=lambda case: case.name)
def test_what_is_found_is_what_is_expected(tmp_path: Path, case: Case, capfd: pytest.CaptureFixture[str]) -> None:
    """Triangles, bounding box, volume and its sign, or the points, equal the truth; else an error with what to do."""
    found, right = outcome(case, tmp_path)
    assert right, f"expected {case.expected}, found {found}"
    assert capfd.readouterr() == ("", "")


def test_the_corpus_is_large_and_names_each_case_once() -> None:
    """At least 70 files of meshes and 25 of points; half of them broken."""
    names = [case.name for case in CORPUS]
    assert len(set(names)) == len(names)
    assert sum(not case.scan for case in CORPUS) >= 70
    assert sum(case.scan for case in CORPUS) >= 25
    assert sum(case.truth is None for case in CORPUS) >= len(CORPUS) // 2


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(case=st.sampled_from([case for case in CORPUS if case.truth is not None]), data=st.data())
def test_a_damaged_file_is_checked_or_refused(tmp_path: Path, case: Case, data: st.DataObject) -> None:
    """A byte changed, a piece doubled or taken out anywhere: a mesh or cloud of finite, named vertices, or an error."""
    content = case.data or b""
    at = data.draw(st.integers(0, len(content) - 1))
    end = min(len(content), at + data.draw(st.integers(1, 40)))
    middle = data.draw(st.sampled_from([b"", content[at:end] * 2, bytes([data.draw(st.integers(0, 255))])]))
    path = tmp_path / case.file
    path.write_bytes(content[:at] + middle + content[end if middle == b"" else at + 1 :])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            mesh = read_scan(path)
        except InputError:
            return
    assert np.isfinite(mesh.vertices).all()
    assert np.ptp(mesh.vertices, axis=0).max() > 0.0
    assert 0 <= mesh.faces.min() <= mesh.faces.max() < len(mesh.vertices)
    assert mesh.cloud == bool((mesh.faces[:, 0] == mesh.faces[:, 1]).all())
