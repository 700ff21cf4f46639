"""A long campaign of a watch session against cold checks; the test suite runs a dozen edits.

    python scripts/campaign_watch.py --trials 200

Edits a copy of the sample truck at random (moves, sizes, masses, rules, contacts, exclusions, load states, targets,
travel, parts added and taken away, mistakes), with files cut off in between and saves by renaming. After each save the
session's answer must be that of a check that keeps nothing, with a prepared scan of its own; every tenth is asked of
a new process. Ends with code 1 when one differs, or when a save is not noticed.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
from importlib import import_module
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from _bench import watching  # noqa: E402

from fitcheck.study.watch import Answer, Session, Trouble  # noqa: E402

SAMPLE = ROOT / "sample_meshes" / "hollin262"
EVERY = 10


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=200, help="edits (default 200)")
    parser.add_argument("--seed", type=int, default=2024)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "sample"
        shutil.copytree(SAMPLE, place)
        os.chdir(place)
        with watching.open_session(Path("a.yaml"), Path("cache").resolve()) as session:
            session.recheck()
            return campaign(session, chosen.trials, random.Random(chosen.seed))


def campaign(session: Session, trials: int, rng: random.Random) -> int:
    """Edit, compare, print what differs; the exit code."""
    tests, edits = import_module("test_watch"), import_module("random_edits")
    layout, vehicle = plain(Path("a.yaml")), plain(Path("vehicle.yaml"))
    seconds, differing, troubles = [], 0, 0
    for trial in range(1, trials + 1):
        if rng.random() < 0.2:
            cut_off(session, layout, rng)
        name, layout, vehicle = edits.random_edit(rng, layout, vehicle)
        put("vehicle.yaml", vehicle, rng)
        put("a.yaml", {**layout, "title": f"trial {trial}"}, rng)
        found, longest = settled(session)
        seconds.append(longest)
        troubles += isinstance(found, Trouble)
        expected = in_a_process() if trial % EVERY == 0 else tests.cold(Path("a.yaml"), Path("cold").resolve())
        good = tests.said(found) == expected
        differing += not good
        words = "trouble" if isinstance(found, Trouble) else found.result.verdict.value
        print(f"{trial:4} {name:20} {words:10} {longest:5.2f} s  {'same' if good else 'DIFFERS'}", flush=True)
        if not good:
            print(first_difference(tests.said(found), expected))
        if isinstance(found, Trouble):
            layout, vehicle = plain(SAMPLE / "a.yaml"), plain(SAMPLE / "vehicle.yaml")
    print(f"{trials} edits, {troubles} of them mistakes, {differing} answers differ; median {median(seconds):.2f} s")
    return 1 if differing else 0


def median(seconds: list[float]) -> float:
    return statistics.median(seconds) if seconds else 0.0


def plain(path: Path) -> dict[str, Any]:
    """A layout file as data; what stands for mm and kg is typed as text."""
    from ruamel.yaml import YAML

    found: dict[str, Any] = YAML(typ="safe", pure=True).load(path.read_text(encoding="utf-8"))
    return found


def put(name: str, data: dict[str, Any], rng: random.Random) -> None:
    """Write a file in place, or beside it and rename."""
    text = json.dumps(data, indent=1)
    if rng.random() < 0.5:
        Path(name).write_text(text, encoding="utf-8")
    else:
        Path(name + "~").write_text(text, encoding="utf-8")
        os.replace(name + "~", name)


def cut_off(session: Session, layout: dict[str, Any], rng: random.Random) -> None:
    """A file as an editor may leave it for a moment: no answer, and no end of the session."""
    text = json.dumps(layout)
    Path("a.yaml").write_text(text[: rng.randrange(len(text) - 1)], encoding="utf-8")
    if not isinstance(settled(session)[0], Trouble):
        raise RuntimeError("a file cut off was not refused")


def settled(session: Session) -> tuple[Answer | Trouble, float]:
    """The answer to the last of the saves, and the longest that one took. RuntimeError where none is noticed."""
    if not session.wait(10.0):
        raise RuntimeError("a save was not noticed")
    found = session.recheck()
    longest = found.seconds
    while session.wait(0.15):
        found = session.recheck()
        longest = max(longest, found.seconds)
    return found, longest


def in_a_process() -> dict[str, Any] | str:
    """The document that a new process prints, or the words of its error."""
    command = [sys.executable, "-m", "fitcheck", "check", "a.yaml", "--json", "--fresh", "--cache-dir", "cold"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", env=environment, check=False)
    if done.returncode not in (0, 1, 3):
        steps = [line for line in done.stderr.splitlines() if not line.startswith("fitcheck: reading ")]
        return "\n".join(steps).removeprefix("fitcheck: ")
    found: dict[str, Any] = json.loads(done.stdout)
    del found["timing_s"]
    return found


def first_difference(one: Any, other: Any, path: str = "") -> str:
    """Where two documents part, and what stands there."""
    if isinstance(one, dict) and isinstance(other, dict) and one.keys() == other.keys():
        return next((first_difference(one[k], other[k], f"{path}.{k}") for k in one if one[k] != other[k]), "")
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        pairs = enumerate(zip(one, other, strict=True))
        return next((first_difference(a, b, f"{path}[{k}]") for k, (a, b) in pairs if a != b), "")
    return f"{path}: {str(one)[:400]}\n   cold: {str(other)[:400]}"


if __name__ == "__main__":
    sys.exit(main())
