"""A point cloud as a scan, from the layout file to the verdict: the same checks, and the spacing in the guard."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import mesh_files as mf
import numpy as np
import pytest

from fitcheck import load_scene
from fitcheck.checks.heat import Heat
from fitcheck.checks.run import check_scene
from fitcheck.errors import ScanError
from fitcheck.result import Clearance, Result, Verdict

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "scripts"))

from hollin262.grid import box_surface  # noqa: E402

STEP = 4.0
RAIL = ((0.0, -30.0, 500.0), (1000.0, 30.0, 620.0))
BESIDE = "{x: [480, 520], y: [60, 100], z: [540, 580]}"


def points(hole: bool = False) -> np.ndarray:
    vertices, _ = box_surface(*RAIL, STEP, missing=("-x", "+x"))
    lost = (np.abs(vertices[:, 0] - 500) < 60) & (np.abs(vertices[:, 2] - 560) < 50) & (vertices[:, 1] > 29)
    return vertices[~lost] if hole else vertices


def write(folder: Path, parts: str, cloud: np.ndarray, scan: str = "") -> Path:
    """A layout of structure boxes beside a cloud as PLY."""
    (folder / "cloud.ply").write_bytes(mf.ply_header(len(cloud), 0, number="double") + cloud.astype("<f8").tobytes())
    text = f"format: 1\ntitle: t\nvehicle: t\nscan: {{file: cloud.ply, units: mm, align: as_scanned{scan}}}\n{parts}"
    (folder / "layout.yaml").write_text(text, encoding="utf-8")
    return folder / "layout.yaml"


def box(spans: str) -> str:
    return f"parts: {{cube: {{class: structure, box: {spans}}}}}\n"


def check(path: Path) -> Result:
    return check_scene(load_scene(path, cache_dir=path.parent / "cache"))


def row(result: Result) -> Clearance:
    (found,) = [found for found in result.clearances if "scan" in found.between]
    return found


SEEN = ", seen_from: [below, above, left, right]"


@pytest.mark.parametrize(
    ("spans", "verdict"),
    [
        (BESIDE, Verdict.PASS),
        ("{x: [480, 520], y: [20, 60], z: [540, 580]}", Verdict.FAIL),
        ("{x: [480, 520], y: [33, 73], z: [540, 580]}", Verdict.NOT_PROVEN),
    ],
    ids=["beside", "through", "close"],
)
def test_verdicts_are_those_of_the_surface_and_distances_those_of_the_points(tmp_path, spans, verdict):
    cloud = points()
    found = row(check(write(tmp_path, box(spans), cloud, SEEN)))
    assert found.verdict is verdict
    low, high = np.array(re.findall(r"-?\d+", spans), dtype=float).reshape(3, 2).T
    outside = np.linalg.norm(np.maximum(np.maximum(low - cloud, cloud - high), 0.0), axis=1)
    if verdict is Verdict.FAIL:
        assert found.depth_mm == pytest.approx(np.minimum(cloud - low, high - cloud).min(axis=1).max(), abs=1e-9)
    else:
        assert found.distance_mm == pytest.approx(outside.min(), abs=1e-9)


def test_the_guard_holds_all_that_lies_between_the_points(tmp_path):
    """A square grid of step s leaves no place of its surface farther than s/√2 from a point (closed form)."""
    found = row(check(write(tmp_path, box(BESIDE), points(), SEEN)))
    assert 2.0 * found.guard_parts["between points"] >= STEP * 0.7
    assert 2.0 * found.guard_parts["between points"] <= STEP * 2.5
    assert found.guard_mm >= STEP * 0.7


def test_a_gap_in_a_cloud_is_not_air_and_felt_empty_it_is(tmp_path):
    spans = "{x: [480, 520], y: [40, 80], z: [540, 580]}"
    found = row(check(write(tmp_path, box(spans), points(hole=True), SEEN)))
    assert found.verdict is Verdict.NOT_PROVEN
    assert found.reason.startswith("unseen place")
    felt = "measured: {felt: {empty: {box: {x: [400, 600], y: [-20, 110], z: [480, 640]}}}}\n"
    assert row(check(write(tmp_path, box(spans) + felt, points(hole=True), SEEN))).verdict is Verdict.PASS


def test_a_part_in_a_cloud_of_a_rail_is_no_pass(tmp_path):
    """Points have no sides; but what is inside is out of sight, or cannot be told."""
    spans = "{x: [480, 520], y: [-15, 15], z: [545, 575]}"
    for scan in ("", SEEN):
        assert row(check(write(tmp_path, box(spans), points(), scan))).verdict is Verdict.NOT_PROVEN


def test_without_stations_nothing_beside_a_cloud_passes(tmp_path):
    found = row(check(write(tmp_path, box(BESIDE), points())))
    assert found.verdict is Verdict.NOT_PROVEN
    assert "inside and outside cannot be told" in found.reason


def test_a_connected_piece_of_a_cloud_is_refused_and_a_region_comes_off(tmp_path):
    piece = ", remove: {rail: {piece: {at: [500, 30, 560]}, stays: test}}"
    with pytest.raises(ScanError, match="point cloud without any"):
        check(write(tmp_path, box(BESIDE), points(), piece))
    region = ", remove: {end: {box: {x: [-10, 300], y: [-40, 40], z: [490, 630]}, stays: test}}"
    scene = load_scene(write(tmp_path, box(BESIDE), points(), region), cache_dir=tmp_path / "cache")
    assert scene.scan is not None
    assert scene.scan.cloud
    assert scene.scan.metal.vertices[:, 0].min() > 299.0


def test_a_moving_shaft_beside_a_cloud_has_a_certified_minimum(tmp_path):
    more = (
        "mechanisms: {rear_axle: {solid_axle: {centre: [900, 0, 384], bump: 40, droop: 40, stops: 300}}}\n"
        "parts: {shaft: {class: shaft, shaft: {from: [100, 80, 560], to: {on: rear_axle, at: [700, 80, 560]}, "
        "diameter: 40}}}\n"
    )
    found = row(check(write(tmp_path, more, points(), SEEN)))
    assert found.at_least_mm is not None
    assert found.distance_mm is not None
    assert 0.0 <= found.distance_mm - found.at_least_mm <= 0.1
    assert found.static_mm == pytest.approx(30.0, abs=0.2)
    assert found.distance_mm <= found.static_mm


def test_the_cache_keeps_a_cloud_a_cloud(tmp_path):
    path = write(tmp_path, box(BESIDE), points(), SEEN)
    first, second = (load_scene(path, cache_dir=tmp_path / "cache").scan for _ in range(2))
    assert first is not None
    assert second is not None
    assert second.cloud
    assert np.array_equal(np.asarray(first.cover_mm), np.asarray(second.cover_mm))
    assert [place.name for place in first.unseen] == [place.name for place in second.unseen]


def test_heat_of_a_cloud_is_the_distance_to_its_points(tmp_path):
    near = "{x: [480, 520], y: [37, 77], z: [540, 580]}"
    scene = load_scene(write(tmp_path, box(near), points(), SEEN), cache_dir=tmp_path / "cache")
    made = Heat(scene).part("cube", swept=False)
    least = made.found_mm[np.isfinite(made.found_mm)].min()
    assert least == pytest.approx(7.0, abs=0.5)
