"""A layout typed with 3-2-1, with partial targets or with the scanned floor: the report of full targets within the
stated sigmas, figures in the terminal and the document, and the lines of wrong entries."""

from __future__ import annotations

import math
import re
from pathlib import Path

import mesh_files as mf
import numpy as np
import pytest
from shapes import box_mesh
from test_align import PLACES, scanned
from test_align_campaign import GROUND, KNOWN, PAIRS, STATIONS, Place
from test_align_datums import HUBS

from fitcheck.checks.run import check_scene
from fitcheck.errors import AlignmentError
from fitcheck.layout import load_scene
from fitcheck.report.json_document import to_document
from fitcheck.report.schema import result_schema
from fitcheck.report.terminal import report_lines
from fitcheck.result import Alignment, Result

NOISE_MM = 0.4

LAYOUT = """\
format: 1
title: One box
scan:
  file: scan.ply
  units: m
  align:
{align}
parts:
  box: {{class: hv_box, box: {{x: [1340, 2100], y: [-330, -105], z: [470, 620]}}, mass: 50, cg: [1720, -217, 545]}}
"""


def write_scan(folder: Path) -> None:
    """Two rails, a crossmember and a floor with a box on it, in metres in the scanner's axes."""
    chance = np.random.default_rng(2)
    floor_v, floor_f = mf.grid(71, 51, lo=[-700, -1250, 0], hi=[3400, 1250, 0])
    floor_v[:, 2] += chance.normal(0, 0.5, len(floor_v))
    rails = [box_mesh([-500, y, 500], [3300, y + 60, 650]) for y in (-420, 360)]
    vertices, faces = mf.join((floor_v, floor_f), *rails, box_mesh([1250, -360, 520], [1310, 360, 600]),
                              box_mesh([2900, -1150, 0], [3100, -950, 120]))  # fmt: skip
    (folder / "scan.ply").write_bytes(mf.ply_bytes(scanned(vertices), faces, number="double"))


class Eye:
    """The scanner: sees places with noise, and writes them as a layout has them."""

    def __init__(self) -> None:
        self.chance = np.random.default_rng(7)

    def __call__(self, place: Place) -> str:
        noisy = np.array([place]) + self.chance.normal(0.0, NOISE_MM, (1, 3))
        return "[" + ", ".join(f"{value:.5f}" for value in scanned(noisy)[0]) + "]"


def typed(place: Place, known: str) -> str:
    return "[" + ", ".join(f"{v:g}" if axis in known else "null" for axis, v in zip("xyz", place, strict=True)) + "]"


def targets_text(known: dict[str, str]) -> str:
    eye = Eye()
    rows = [f"      {n}: {{scan: {eye(p)}, vehicle: {typed(p, known[n])}}}" for n, p in PLACES.items()]
    return "\n".join(["    targets:", *rows])


def middle_text(eye: Eye) -> list[str]:
    """Middle plane, stations and the way rearward."""
    pairs = [f"      {name}: [{eye(left)}, {eye(right)}]" for name, (left, right) in PAIRS.items()]
    stations = [f"      - {{scan: {eye(place)}, x: {place[0] / 10:g} cm}}" for place in STATIONS]
    rearward = f"    rearward: {{from: {eye((0, 0, 500))}, to: {eye((2500, 0, 500))}}}"
    return ["    centre:", *pairs, "    station:", *stations, rearward]


def three_two_one_text() -> str:
    eye = Eye()
    return "\n".join([f"    ground: [{', '.join(map(eye, GROUND))}]", *middle_text(eye)])


def hubs_text() -> str:
    eye = Eye()
    hubs = [f"      {name}: {{scan: {eye(place)}, height: {place[2] / 25.4:.5f} in}}" for name, place in HUBS.items()]
    return "\n".join(["    hubs:", *hubs, *middle_text(eye)])


def floor_text() -> str:
    eye = Eye()
    places: list[Place] = [(-400, -1000, 0), (-400, 1000, 0), (3000, -1000, 0), (3000, 1000, 0)]
    patches = ", ".join(f"{{at: {eye(place)}, radius: 300}}" for place in places)
    return "\n".join([f"    floor: [{patches}]", *middle_text(eye)])


WAYS = {
    "full targets": targets_text(dict.fromkeys(PLACES, "xyz")),
    "partial targets": targets_text(KNOWN),
    "3-2-1": three_two_one_text(),
    "hubs": hubs_text(),
    "floor": floor_text(),
}


def write_layout(folder: Path, align: str) -> Path:
    path = folder / "a.yaml"
    path.write_text(LAYOUT.format(align=f"{align}\n    tape: 1"), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Result]:
    """What each way of typing gives, the second time from the cache."""
    folder = tmp_path_factory.mktemp("ways")
    write_scan(folder)
    found = {}
    for way, text in WAYS.items():
        path = write_layout(folder, text)
        cold = load_scene(path, cache_dir=folder / "cache")
        warm = load_scene(path, cache_dir=folder / "cache")
        assert cold.scan is not None
        assert warm.scan is not None
        assert cold.scan.alignment == warm.scan.alignment
        assert cold.scan.certainty is not None
        assert warm.scan.certainty is not None
        assert (cold.scan.certainty.covariance == warm.scan.certainty.covariance).all()
        found[way] = check_scene(warm)
    return found


def alignment_of(result: Result) -> Alignment:
    assert result.alignment is not None
    return result.alignment


@pytest.mark.parametrize("way", WAYS)
def test_every_way_of_typing_gives_the_report_of_full_targets(results: dict[str, Result], way: str) -> None:
    """The same pairs; distances and heights within 3 joint sigmas of those of full targets (marks noisy to 0.4 mm)."""
    result, full = results[way], results["full targets"]
    joint = 3.0 * math.hypot(*(max(alignment_of(one).place_sigma_mm.values()) for one in (result, full)))
    assert joint < 8.0
    assert [row.between for row in result.clearances] == [row.between for row in full.clearances]
    for mine, theirs in zip(result.clearances, full.clearances, strict=True):
        assert mine.distance_mm == pytest.approx(theirs.distance_mm, abs=joint)
        assert mine.distance_mm == pytest.approx(30.0, abs=joint)  # the crossmember at x 1310, the box at 1340
        assert mine.verdict == theirs.verdict


@pytest.mark.parametrize("way", WAYS)
def test_sigma_grows_towards_the_ends_and_is_stated(results: dict[str, Result], way: str) -> None:
    """Amid the marks it is least; the document fits the schema and the terminal says it."""
    from jsonschema import Draft202012Validator

    places = alignment_of(results[way]).place_sigma_mm
    assert list(places) == ["middle", "front end", "rear end"]
    assert 0.0 < places["middle"] < min(places["front end"], places["rear end"])
    document = to_document(results[way])
    assert not list(Draft202012Validator(result_schema()).iter_errors(document))
    assert document["alignment"]["place_sigma_mm"] == places
    text = " ".join(line.strip() for line in report_lines(results[way]))
    middle, front = (f"{places[name]:.1f} mm" for name in ("middle", "front end"))
    assert f"one sigma of the frame {middle} in the middle, {front} at the front end" in text


def test_the_terminal_counts_what_was_typed_and_shows_straightness_hubs_and_floor(results: dict[str, Result]) -> None:
    def words(way: str) -> str:
        return " ".join(line.strip() for line in report_lines(results[way]))

    assert "10 targets fit within" in words("full targets")
    assert "6 ground points, 2 stations and 4 pairs fit within" not in words("full targets")
    assert "6 ground points, 2 stations and 4 pairs fit within" in words("3-2-1")
    assert re.search(r"straightness, .*: spring_eyes [+-]?\d\.\d, cab_mounts [+-]?\d\.\d, bed_bolts", words("3-2-1"))
    assert re.search(r"one hub stands \d\.\d mm off the plane of the other three", words("hubs"))
    flat = r"floor found in 4 patches, \d+ points flat to 0\.\d mm \(one sigma\), \d+ % rejected"
    assert re.search(flat, words("floor"))


def test_a_wrong_entry_is_named_by_its_line(tmp_path: Path) -> None:
    """A hub picked elsewhere, a pair typed [right, left], a height 90 mm off: named, the figures with their line."""
    write_scan(tmp_path)
    lifted = WAYS["hubs"].replace("front_right: {scan:", "front_right: {scan: [0, 9, 0], height: 1} #", 1)
    wrong = {
        "T6": WAYS["partial targets"].replace("vehicle: [null, 700, 1150]", "vehicle: [null, 700, 1240]"),
        "hub front_right": lifted,
        "pair cab_mounts": re.sub(r"cab_mounts: \[(\[.*?\]), (\[.*?\])\]", r"cab_mounts: [\2, \1]", WAYS["3-2-1"]),
    }
    for name, text in wrong.items():
        path = write_layout(tmp_path, text)
        with pytest.raises(AlignmentError) as caught:
            load_scene(path, cache_dir=tmp_path / "cache")
        assert name in str(caught.value)
        if name != "pair cab_mounts":
            line = next(n for n, row in enumerate(path.read_text().splitlines(), 1) if f"{name.split()[-1]}: {{" in row)
            assert str(caught.value).startswith(f"{path.as_posix()}:{line}: ")


def test_a_short_list_and_a_height_in_inches_are_read(tmp_path: Path) -> None:
    """ground with a height, centre as a bare list, one station as a mapping, a bare floor point: all four at once."""
    write_scan(tmp_path)
    eye = Eye()
    holes = ", ".join(map(eye, ((-300, -400, 520), (-300, 400, 520), (3200, 0, 520))))
    pairs = ", ".join(f"[{eye(left)}, {eye(right)}]" for left, right in PAIRS.values())
    text = f"""\
    ground: {{points: [{holes}], height: 20.4724 in}}
    centre: [{pairs}]
    station: {{scan: {eye(STATIONS[1])}, x: 2620}}
    floor: [{{at: {eye((1000, 0, 0))}, radius: 900}}]
    rearward: {{from: {eye((0, 0, 500))}, to: {eye((2500, 0, 500))}}}"""
    scene = load_scene(write_layout(tmp_path, text), cache_dir=tmp_path / "cache")
    assert scene.scan is not None
    assert scene.scan.alignment is not None
    names = list(scene.scan.alignment.targets)
    assert names == ["ground 1", "ground 2", "ground 3", "station", "pair 1", "pair 2", "pair 3", "pair 4", "floor"]
    assert max(abs(fit.residual_mm[2] or 0.0) for fit in scene.scan.alignment.targets.values()) < 2.5
