"""The cache of prepared scans: it never serves a stale or damaged entry, and never stops a run."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import mesh_files as mf
import numpy as np
import pytest
import scans

from fitcheck.errors import FileProblem
from fitcheck.scan import cache, prepare
from fitcheck.scan.cache import default_cache_dir, hash_file, load_entry, start_hashing, store_entry
from fitcheck.scan.prepare import PreparedScan, prepare_scan
from fitcheck.scan.spec import Removal, ScaleBar, ScanSpec, Shift
from fitcheck.vehicle.scene import Region

MOVED = (-299.0, -400.0, 520.0)  # T1, by 1 mm
BED = Region("box", lo=(1800, -999, 600), hi=(2000, 999, 700))


@pytest.fixture
def spec(tmp_path: Path) -> ScanSpec:
    """A small scan with everything: targets, a gap, and a tank that comes off as a layer of its own."""
    return scans.small_scan(tmp_path)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where the cache will stand; not there yet."""
    return tmp_path / "cache"


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[PreparedScan, Path]:
    """The scan prepared once, not from a cache, and the cache folder as that run left it; neither is to be changed."""
    place = tmp_path_factory.mktemp("written")
    prepared = prepare_scan(scans.small_scan(place), cache_dir=place / "cache")
    assert (prepared.from_cache, prepared.cache_notes) == (False, ())
    return prepared, place / "cache"


@pytest.fixture
def cold(written: tuple[PreparedScan, Path]) -> PreparedScan:
    return written[0]


@pytest.fixture
def filled(written: tuple[PreparedScan, Path], folder: Path) -> Path:
    """A copy of the folder that a first run left: what is prepared again from ``spec`` is found there."""
    return shutil.copytree(written[1], folder)


def same(first: PreparedScan, second: PreparedScan) -> bool:
    """Equal to the last bit in all that a check reads."""

    def flat(scan: PreparedScan) -> list[Any]:
        layers = {"metal": scan.layers.metal, **scan.layers.removed}
        arrays = [getattr(s, n) for s in layers.values() for n in ("vertices", "faces", "starts", "boxes")]
        assert scan.alignment is not None
        fit, table = scan.alignment.fit, scan.alignment
        arrays += [fit.rotation, fit.shift, fit.spread_mm, table.places_mm, *table.residuals_mm.values()]
        arrays += list(table.leave_one_out_mm.values())
        facts = (list(layers), scan.layers.spacing_mm, scan.layers.notes, scan.sha256, table.rms_mm, table.sigma_mm)
        return [*((a.dtype.str, a.shape, a.tobytes()) for a in arrays), facts, list(table.residuals_mm), table.notes]

    return flat(first) == flat(second)


def entries(folder: Path) -> list[Path]:
    return sorted(place for place in folder.iterdir() if place.is_dir())


def test_the_second_run_is_the_first_from_memory_maps(spec: ScanSpec, folder: Path) -> None:
    """Same bits, arrays mapped and not writable, and no step of preparing is taken."""
    steps: list[str] = []
    cold = prepare_scan(spec, cache_dir=folder, progress=steps.append)
    assert (cold.from_cache, cold.cache_notes) == (False, ())
    assert steps[0] == "reading the scan"
    steps.clear()
    again = prepare_scan(spec, cache_dir=folder, progress=steps.append, hashing=start_hashing(spec.file))
    assert again.from_cache
    assert steps == []
    assert same(cold, again)
    metal = again.layers.metal
    assert isinstance(metal.vertices.base, np.memmap)
    with pytest.raises(ValueError, match="read-only"):
        metal.vertices[0, 0] = 1.0


CHANGES: dict[str, Callable[[ScanSpec], ScanSpec]] = {
    "a target's place": lambda s: replace(s, targets=(replace(s.targets[0], vehicle=MOVED), *s.targets[1:])),
    "one target": lambda s: replace(s, targets=s.targets[:-1]),
    "a target's name": lambda s: replace(s, targets=(replace(s.targets[0], name="T0"), *s.targets[1:])),
    "within": lambda s: replace(s, within_mm=6.0),
    "tape": lambda s: replace(s, tape_mm=1.0),
    "scale bars": lambda s: replace(s, scale_bars=(ScaleBar(("T1", "T2"), 800.0),)),
    "no removal": lambda s: replace(s, removals=()),
    "removal by another road": lambda s: replace(s, removals=(Removal("tank", piece_at=(1650.0, -275.0, 560.0)),)),
    "removal's name": lambda s: replace(s, removals=(Removal("fuel tank", region=scans.TANK),)),
    "removal's size": lambda s: replace(
        s, removals=(Removal("tank", region=replace(scans.TANK, hi=(1711, -240, 570))),)
    ),
    "a shift": lambda s: replace(s, shifts=(Shift("bed", (0, 0, 1), region=BED),)),
}  # fmt: skip


@pytest.mark.parametrize("change", CHANGES)
def test_every_input_alone_makes_a_new_entry_equal_to_a_cold_run(
    spec: ScanSpec, filled: Path, tmp_path: Path, change: str
) -> None:
    """Edit one input: not from the cache, and equal to a run with no cache at all (silent error 15)."""
    changed = CHANGES[change](spec)
    warm = prepare_scan(changed, cache_dir=filled)
    assert not warm.from_cache
    assert same(warm, prepare_scan(changed, cache_dir=tmp_path / "other"))
    assert same(warm, prepare_scan(changed, cache_dir=filled))


def test_a_changed_scan_is_noticed_by_content_not_by_time(spec: ScanSpec, filled: Path, cold: PreparedScan) -> None:
    """One byte changed with size and time put back: prepared anew; the old bytes under another name: from the cache."""
    stat, content = spec.file.stat(), spec.file.read_bytes()
    copy = mf.save(spec.file.parent, "copy.ply", content)
    spec.file.write_bytes(content[:400] + bytes([content[400] ^ 1]) + content[401:])
    os.utime(spec.file, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    second = prepare_scan(spec, cache_dir=filled)
    assert not second.from_cache
    assert second.sha256 != cold.sha256
    assert not same(cold, second)
    assert prepare_scan(replace(spec, file=copy), cache_dir=filled).from_cache


def test_where_an_entry_was_typed_does_not_matter(spec: ScanSpec, filled: Path) -> None:
    """Other lines of the vehicle file, and whole numbers written as such, are the same scan."""
    tank = Removal("tank", region=scans.TANK, origin="x.yaml:7")
    moved = replace(spec, origin="x.yaml:9", within_mm=5, removals=(tank,))
    assert prepare_scan(moved, cache_dir=filled).from_cache


def test_a_new_format_is_a_new_entry(spec: ScanSpec, filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that prepares otherwise does not read what an older one stored."""
    monkeypatch.setattr(prepare, "FORMAT", prepare.FORMAT + 1)
    assert not prepare_scan(spec, cache_dir=filled).from_cache


# --- damage -----------------------------------------------------------------------------------------------------------


def _cut(file: Path) -> None:
    os.truncate(file, file.stat().st_size - 1)


def _flip_first(file: Path) -> None:
    data = bytearray(file.read_bytes())
    data[len(data) // 2] ^= 0x10
    file.write_bytes(bytes(data))


def _empty(file: Path) -> None:
    file.write_bytes(b"")


def _remove(file: Path) -> None:
    file.unlink()


@pytest.mark.parametrize("damage", [_cut, _flip_first, _empty, _remove])
@pytest.mark.parametrize(
    "name", ["manifest.json", "metal.vertices.npy", "metal.faces.npy", "metal.boxes.npy", "removed0.starts.npy"]
)
def test_a_damaged_entry_is_noticed_and_made_anew(
    spec: ScanSpec, filled: Path, cold: PreparedScan, name: str, damage: Callable[[Path], None]
) -> None:
    """Cut, flipped, emptied or missing: the next run is right and not from the cache, the one after is."""
    (entry,) = entries(filled)
    damage(entry / name)
    next_run = prepare_scan(spec, cache_dir=filled)
    assert not next_run.from_cache
    assert next_run.cache_notes == ()
    assert same(cold, next_run)
    assert prepare_scan(spec, cache_dir=filled).from_cache
    assert len(entries(filled)) == 1


def test_an_entry_that_nobody_damaged_serves(spec: ScanSpec, filled: Path, cold: PreparedScan) -> None:
    """What the tests of damage start from."""
    prepared = prepare_scan(spec, cache_dir=filled)
    assert prepared.from_cache
    assert same(cold, prepared)


@pytest.mark.parametrize("at", [0.0, 0.5, 1.0])
def test_zeros_in_a_large_array_are_noticed_by_samples(folder: Path, at: float) -> None:
    """A lost block of 1 MB (as a full disk or a power cut leaves it) anywhere in 16 MB changes a sampled block."""
    key = "a" * 64
    store_entry(folder, key, {"big": np.arange(2 << 20, dtype=np.float64) + 0.1}, {})
    file = folder / key / "big.npy"
    data = bytearray(file.read_bytes())
    start = int(at * (len(data) - (1 << 20)))
    data[start : start + (1 << 20)] = bytes(1 << 20)
    file.write_bytes(bytes(data))
    assert load_entry(folder, key) is None
    assert not (folder / key).exists()


def test_a_manifest_that_is_valid_json_but_says_something_else_is_refused(folder: Path) -> None:
    """Its own checksum is over what it says."""
    key = "b" * 64
    store_entry(folder, key, {"a": np.arange(3.0)}, {"x": 1})
    manifest = folder / key / "manifest.json"
    manifest.write_text(manifest.read_text().replace('"x": 1', '"x": 2'))
    assert load_entry(folder, key) is None


# --- folders that cannot be used --------------------------------------------------------------------------------------


def test_a_cache_folder_that_cannot_be_made_is_a_note(spec: ScanSpec, tmp_path: Path, cold: PreparedScan) -> None:
    """A file stands where a folder should be: the scan is prepared all the same, and the note says so."""
    blocked = mf.save(tmp_path, "blocked", b"x") / "cache"
    prepared = prepare_scan(spec, cache_dir=blocked)
    assert "was not used" in prepared.cache_notes[0]
    assert str(blocked) in prepared.cache_notes[0]
    assert same(prepared, cold)


def test_a_read_only_cache_folder_is_a_note(
    spec: ScanSpec, folder: Path, cold: PreparedScan, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every way to write refused, as for a user without rights (a superuser may write anywhere, so it is played)."""
    folder.mkdir()
    folder.chmod(0o555)

    def refuse(*_: object, **__: object) -> str:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(cache.tempfile, "mkdtemp", refuse)
    prepared = prepare_scan(spec, cache_dir=folder)
    folder.chmod(0o755)
    assert "Permission denied" in prepared.cache_notes[0]
    assert same(prepared, cold)
    assert entries(folder) == []


def test_a_read_only_entry_still_serves(spec: ScanSpec, filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its time of use cannot be set: it is read all the same."""

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(cache.os, "utime", refuse)
    assert prepare_scan(spec, cache_dir=filled).from_cache


@pytest.mark.parametrize("after", [0, 3, 7])
def test_a_full_disk_is_a_note_and_leaves_nothing(
    spec: ScanSpec, folder: Path, cold: PreparedScan, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    """No space left after so many arrays: right answer, a note, and no half-written entry."""
    save, count = np.save, 0

    def fill(path: Path, array: np.ndarray, **options: Any) -> None:
        nonlocal count
        if count == after:
            path.write_bytes(b"half")
            raise OSError(errno.ENOSPC, "No space left on device")
        count += 1
        save(path, array, **options)

    monkeypatch.setattr(cache.np, "save", fill)
    prepared = prepare_scan(spec, cache_dir=folder)
    monkeypatch.undo()
    assert "No space left on device" in prepared.cache_notes[0]
    assert entries(folder) == []
    assert same(prepared, cold)


def test_where_the_cache_stands(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The environment's word first, else the system's folder of this user; without a home there is none, and a note."""
    monkeypatch.setenv("FITCHECK_CACHE_DIR", str(tmp_path / "mine"))
    assert default_cache_dir() == tmp_path / "mine"
    monkeypatch.delenv("FITCHECK_CACHE_DIR")
    monkeypatch.setattr(cache.Path, "home", lambda: tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "local"))
    for platform, expected in {
        "linux": tmp_path / "xdg" / "fitcheck",
        "darwin": tmp_path / "Library" / "Caches" / "fitcheck",
        "win32": tmp_path / "local" / "fitcheck" / "cache",
    }.items():
        monkeypatch.setattr(cache.sys, "platform", platform)
        assert default_cache_dir() == expected


def test_no_cache_folder_at_all_is_a_note(spec: ScanSpec, monkeypatch: pytest.MonkeyPatch) -> None:
    """As for a service user without a home."""
    monkeypatch.setattr(prepare, "default_cache_dir", lambda: None)
    prepared = prepare_scan(spec)
    assert prepared.cache_notes == ("there is no cache folder: the scan is prepared each time",)


# --- several runs at once, and runs that die --------------------------------------------------------------------------

RUN = """
    import os, signal, sys, time
    from pathlib import Path
    sys.path.insert(0, sys.argv[3])
    import scans
    from fitcheck.scan import cache
    from fitcheck.scan.prepare import prepare_scan
    spec = scans.small_scan(Path(sys.argv[1]))
    def die(*args, **kwargs):
        os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
    {extra}
    prepared = prepare_scan(spec, cache_dir=Path(sys.argv[2]))
    print(prepared.from_cache, len(prepared.cache_notes), prepared.layers.metal.vertices.sum())
"""


def start(tmp_path: Path, folder: Path, extra: str = "") -> subprocess.Popen[str]:
    code = textwrap.dedent(RUN).replace("{extra}", extra)
    arguments = [sys.executable, "-c", code, str(tmp_path), str(folder), str(Path(__file__).parent)]
    return subprocess.Popen(arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


KILLS = {
    "before the first array": "cache.np.save = die",
    "in the middle of the arrays": (
        "save, names = cache.np.save, []\n"
        "def half(path, array, **k):\n"
        "    names.append(path)\n"
        "    save(path, array, **k)\n"
        "    if len(names) == 3: os.truncate(path, 100); die()\n"
        "cache.np.save = half"
    ),
    "before the manifest": (
        "dumps = cache.json.dumps\ncache.json.dumps = lambda v, **k: die() if 'body' in v else dumps(v, **k)"
    ),
    "before the renaming": "cache.os.replace = die",
    "after the renaming": "cache._tidy = die",
}


@pytest.mark.parametrize("moment", KILLS)
def test_a_run_killed_while_it_writes_leaves_the_next_one_right(
    spec: ScanSpec, folder: Path, tmp_path: Path, cold: PreparedScan, moment: str
) -> None:
    """SIGKILL at a known moment of writing: the next run agrees with an undisturbed one to the last bit."""
    run = start(tmp_path, folder, KILLS[moment])
    assert run.wait(timeout=60) != 0
    assert run.stdout is not None
    assert run.stdout.read() == ""
    left = [place for place in folder.iterdir() if place.name.startswith(".new-")]
    assert bool(left) == (moment != "after the renaming"), "it was killed at the moment that is meant"
    next_run = prepare_scan(spec, cache_dir=folder)
    assert next_run.from_cache == (moment == "after the renaming")
    assert same(next_run, cold)
    assert prepare_scan(spec, cache_dir=folder).from_cache


def test_what_dead_runs_left_goes_after_a_day(folder: Path) -> None:
    """A half-written entry of yesterday goes with the next writing; one of an hour ago may still be alive."""
    for name, hours in (("old", 25), ("young", 1)):
        place = folder / f".new-{name}"
        place.mkdir(parents=True)
        (place / "half.npy").write_bytes(b"x")
        os.utime(place, (time.time() - 3600 * hours,) * 2)
    (folder / "somebody's photographs").mkdir()
    assert store_entry(folder, "c" * 64, {"a": np.arange(3.0)}, {}) == ()
    assert {place.name for place in folder.iterdir()} == {".new-young", "c" * 64, "somebody's photographs"}


def test_the_cache_is_bounded_and_keeps_what_was_used_last(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Room for three entries of 80 kB: of four, the one used longest ago goes, though it was not written first."""
    monkeypatch.setattr(cache, "MOST_GB", 0.25e-3)
    keys = [letter * 64 for letter in "abc"]
    for age, key in enumerate(keys):
        store_entry(folder, key, {"a": np.zeros(10_000)}, {})
        os.utime(folder / key / "manifest.json", (time.time() - 100 + age,) * 2)
    assert load_entry(folder, "a" * 64) is not None  # used now: b is the oldest
    store_entry(folder, "d" * 64, {"a": np.zeros(10_000)}, {})
    assert [place.name[0] for place in entries(folder)] == ["a", "c", "d"]


def test_an_entry_larger_than_the_bound_is_kept_while_it_is_the_newest(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a very large scan would be prepared each time without a word."""
    monkeypatch.setattr(cache, "MOST_GB", 1e-6)
    store_entry(folder, "e" * 64, {"a": np.zeros(10_000)}, {})
    assert load_entry(folder, "e" * 64) is not None


def test_two_runs_at_once_are_both_right(spec: ScanSpec, folder: Path, tmp_path: Path, cold: PreparedScan) -> None:
    """Both wait until the other has written too, then rename: one entry, no note, equal answers."""
    wait = (
        "replace_, flag = os.replace, Path(sys.argv[2])\n"
        "def both(a, b):\n"
        "    end = time.monotonic() + 30\n"
        "    while len(list(flag.glob('.new-*/manifest.json'))) < 2 and not list(flag.glob('?' * 64)):\n"
        "        if time.monotonic() > end: sys.exit('the other run did not come')\n"
        "        time.sleep(0.001)\n"
        "    replace_(a, b)\n"
        "cache.os.replace = both"
    )
    runs = [start(tmp_path, folder, wait) for _ in range(2)]
    outputs = [run.communicate(timeout=60) for run in runs]
    assert [run.returncode for run in runs] == [0, 0], outputs
    assert [out for out, _ in outputs] == [f"False 0 {cold.layers.metal.vertices.sum()}\n"] * 2
    assert len(entries(folder)) == 1
    assert same(prepare_scan(spec, cache_dir=folder), cold)


def test_a_damaged_entry_in_the_way_of_a_writer_is_replaced(folder: Path) -> None:
    """Another run left rubbish under the same name between our look and our renaming."""
    key = "f" * 64
    (folder / key).mkdir(parents=True)
    (folder / key / "manifest.json").write_text("{")
    assert store_entry(folder, key, {"a": np.arange(3.0)}, {"x": 1}) == ()
    entry = load_entry(folder, key)
    assert entry is not None
    assert entry.facts == {"x": 1}
    assert [place.name for place in folder.iterdir()] == [key]


# --- hashing ----------------------------------------------------------------------------------------------------------


def test_hash_is_sha256_of_the_content(tmp_path: Path) -> None:
    """SHA-256 of "abc" (source: the examples to FIPS 180-4), and several chunks against hashlib in one go."""
    import hashlib

    abc = mf.save(tmp_path, "abc", b"abc")
    assert hash_file(abc).sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    data = np.random.default_rng(0).bytes((3 << 20) + 17)
    assert start_hashing(mf.save(tmp_path, "x", data)).result().sha256 == hashlib.sha256(data).hexdigest()


def test_a_file_that_cannot_be_hashed_is_a_file_problem(tmp_path: Path, spec: ScanSpec, folder: Path) -> None:
    """From the thread as well; and a file that changes between hashing and reading is not stored under a wrong name."""
    with pytest.raises(FileProblem, match="cannot be read"):
        start_hashing(tmp_path / "gone").result()
    early = start_hashing(spec.file)
    early.result()
    data = bytearray(spec.file.read_bytes())
    data[400] ^= 1
    spec.file.write_bytes(bytes(data))
    os.utime(spec.file, (1, 1))
    with pytest.raises(FileProblem, match="it changed while it was read"):
        prepare_scan(spec, cache_dir=folder, hashing=early)
    assert not folder.exists()
