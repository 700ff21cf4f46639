"""How long from a save to its answer? Write the file, wait for the event, check again, in one process."""

from __future__ import annotations

import random
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from fitcheck.layout import KnownHashes, load_scene, named_files
from fitcheck.study.watch import Answer, Reading, Session
from fitcheck.vehicle.scene import Scene

Edit = Callable[[str, random.Random], str]

SEED = 20260101
NEW_PART = "  added_{k}: {{class: lv, box: {{x: [{x}, {x2}], y: [200, 300], z: [{z}, {z2}]}}, mass: 4}}\n"


def open_session(layout: Path, cache: Path) -> Session:
    """A session as ``fitcheck watch`` opens it."""
    hashes = KnownHashes()

    def load(path: Path, progress: Callable[[str], None]) -> Scene:
        return load_scene(path, cache_dir=cache, progress=progress, hashes=hashes)

    return Session(layout, Reading(load, named_files))


def measure(edits: dict[str, tuple[Path, Edit]], layout: Path, rounds: int) -> dict[str, list[float]]:
    """Seconds from the write to the answer, of each kind of edit. Raises RuntimeError where one is not noticed.

    Every save has numbers that were never there before, and the cache is new, so that none is answered from an
    earlier one. The files are as before when it ends.
    """
    rng, before = random.Random(SEED), {file: file.read_text(encoding="utf-8") for file, _ in edits.values()}
    found: dict[str, list[float]] = {kind: [] for kind in edits}
    with tempfile.TemporaryDirectory() as cache, open_session(layout, Path(cache)) as session:
        session.recheck()
        try:
            for _ in range(rounds):
                for kind, (file, edit) in edits.items():
                    found[kind].append(_one(session, file, edit(before[file], rng)))
                    _one(session, file, before[file])
        finally:
            for file, text in before.items():
                file.write_text(text, encoding="utf-8")
    return found


def _one(session: Session, file: Path, text: str) -> float:
    time.sleep(0.06)  # a person does not save twice within one event
    while session.touched():
        session.recheck()
    began = time.perf_counter()
    file.write_text(text, encoding="utf-8")
    if not session.wait(10.0):
        raise RuntimeError(f"{file}: the edit was not noticed")
    answer = session.recheck()
    seconds = time.perf_counter() - began
    if not isinstance(answer, Answer):
        raise RuntimeError(answer.words)
    return seconds


def show(name: str, found: dict[str, list[float]]) -> None:
    """Print the median and the worst of all edits, and the median of each kind."""
    every = [seconds for some in found.values() for seconds in some]
    print(f"  watch, {name}: {len(every)} saves, median {statistics.median(every):.2f} s, worst {max(every):.2f} s")
    for kind, some in found.items():
        print(f"    {kind:34} median {statistics.median(some):.2f} s, worst {max(some):.2f} s", flush=True)


def in_place_of(old: str, new: Callable[[float], str], low: float, high: float) -> Edit:
    """An edit that puts text with a random number in place of ``old``."""

    def edit(text: str, rng: random.Random) -> str:
        if old not in text:
            raise RuntimeError(f"{old!r} is not in the file")
        return text.replace(old, new(round(rng.uniform(low, high), 3)), 1)

    return edit


def add_part(text: str, rng: random.Random) -> str:
    """A box more at the end of the layout's parts, at a place of its own."""
    x, z = round(rng.uniform(2250.0, 2450.0), 2), round(rng.uniform(700.0, 800.0), 2)
    return text + NEW_PART.format(k=rng.randrange(1000), x=x, x2=x + 120.0, z=z, z2=z + 60.0)


def sample_edits(folder: Path) -> dict[str, tuple[Path, Edit]]:
    """Of the sample's layout a.yaml and vehicle.yaml; its boxes are in mirrored pairs, so two move at once."""
    a, vehicle = folder / "a.yaml", folder / "vehicle.yaml"
    return {
        "charger moved": (vehicle, in_place_of("at: [75, -325, 760]", lambda v: f"at: [{v}, -325, 760]", 70.0, 80.0)),
        "junction moved": (vehicle, in_place_of("at: [620, 0, 760]", lambda v: f"at: [620, {v}, 760]", -8.0, 8.0)),
        "outboard boxes moved": (a, in_place_of("y: [-710, -475]", lambda v: f"y: [{v - 235}, {v}]", -480.0, -470.0)),
        "inboard boxes moved, one in a pipe": (
            a,
            in_place_of("y: [-340, -105]", lambda v: f"y: [{v - 235}, {v}]", -108.0, -102.0),
        ),
        "mass of a box": (a, in_place_of("mass: 55.5", lambda v: f"mass: {v}", 50.0, 60.0)),
        "rule box to scan": (vehicle, in_place_of("must: 2, want: 5", lambda v: f"must: {v}, want: 5", 1.0, 4.0)),
        "rule box to shaft": (vehicle, in_place_of("must: 15, want: 25", lambda v: f"must: {v}, want: 25", 10.0, 20.0)),
        "target": (vehicle, in_place_of("{laden: 32}", lambda v: f"{{laden: {v}}}", 30.0, 34.0)),
        "part added": (a, add_part),
        "comment": (a, in_place_of("# inboard right", lambda v: f"# inboard right {v}", 0.0, 1.0)),
    }


def scene_edits(layout: Path) -> dict[str, tuple[Path, Edit]]:
    """Of the generated layout."""
    box = "[1340.0, 2156.0], y: [-340.0, -105.0]"
    return {
        "box moved": (layout, in_place_of(box, lambda v: f"[{v}, {v + 816}], y: [-340.0, -105.0]", 1335.0, 1345.0)),
        "inverter moved": (layout, in_place_of("x: [470.0, 780.0]", lambda v: f"x: [{v}, {v + 310}]", 465.0, 475.0)),
        "rule box to scan": (
            layout,
            lambda text, rng: f"{text}rules:\n  - {{between: [hv_box, scan], must: {rng.uniform(1, 4)}, why: bench}}\n",
        ),
        "mesh part turned off": (layout, lambda text, rng: text.split("  charger:")[0] + f"# {rng.random()}\n"),
        "part added": (layout, add_part),
    }
