"""Times fitcheck beside the two scripts that a competent person would write without it.

    .venv/bin/python scripts/bench.py [--sizes 0.2,1.7,10] [--repeat 3] [--check-only] [--keep DIR]

For each size (millions of triangles) it generates a scan (two rails under a wavy floor,
single-sided, with noise; fixed seed), ten parts (six boxes, four meshes) and a shaft to a
solid axle, and runs whole processes on them:

  cold      fitcheck check --json --only scan with an empty cache folder: the peers' question
  again     the same with the cache that the first run left: the prepared scan, and the answers
            kept for pairs that have not changed
  fresh     the same with the prepared scan alone: every pair computed anew (--fresh)
  every     every pair of the layout computed anew, also part to part and shaft to part
  fcl       a script on python-fcl alone: one tree over the whole scan, the least distance of
            each part, the shaft at 41 sampled heights of the axle
  trimesh   the same with trimesh's collision manager
  intake    fitcheck scan --json: the first look at the scan
  pyvista   a script that reads the same file with pyvista and does nothing else

and of the window and the watch, also for the sample truck:

  view      seconds from the start of the process to the first full frame, a frame with the scan whole and
            as it is while the view turns, and the heat; on the screen that is there, else on Xvfb
  motion    every pair of the sample truck with everything that moves, over all of its travel and part by part,
            beside the same pairs as scanned; in this process, on one core
  watch     save → answer: the seconds from writing a layout to its answer, the file event included; also for
            the sample truck

It prints seconds (median of the repeats), ratios and peak memory with the machine, and ends
with exit code 1 when a static distance of fitcheck differs from python-fcl's by more than
1e-6 mm. fitcheck does more than the peers in that time: it judges, and proves its minimum
over all poses of four movements, where they sample one.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from _bench import intake, motion, peers, scene, viewing, watching

AGREE_MM = 1e-6
ANSWERS = (0, 1, 3)
OURS = {
    "cold": ["--only", "scan"],
    "again": ["--only", "scan"],
    "fresh": ["--only", "scan", "--fresh"],
    "every": ["--fresh"],
}
LOOKS = ("intake", "pyvista")
ROUNDS = (*OURS, "fcl", "trimesh", *LOOKS)
SAMPLE = Path(__file__).resolve().parents[1] / "sample_meshes" / "hollin262"


@dataclass(frozen=True)
class Run:
    """One whole process: what it printed, how long it took, the most memory it held."""

    printed: str
    seconds: float
    peak_mb: float | None  # None where the operating system does not tell


def main() -> int:
    """Run every size; 1 when a distance differs, 2 when a process fails, else 0."""
    options = _options()
    folder = Path(options.keep or tempfile.mkdtemp(prefix="fitcheck-bench-"))
    print(_machine(), flush=True)
    try:
        if not options.check_only:
            _watch_sample(folder / "sample", options.repeat)
        agreed = [
            _one_size(float(size), folder, options.repeat, check_only=options.check_only)
            for size in options.sizes.split(",")
        ]
    except _Failed as failed:
        print(failed, file=sys.stderr)
        return 2
    finally:
        if options.keep is None:
            shutil.rmtree(folder)
    return 0 if all(agreed) else 1


class _Failed(Exception):
    """A process ended with an exit code that is no answer."""


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", default="0.2,1.7,10", help="millions of triangles, with commas between")
    parser.add_argument("--repeat", type=int, default=3, help="how often each process is run; the median counts")
    parser.add_argument("--check-only", action="store_true", help="leave the window and the watch out")
    parser.add_argument("--keep", metavar="DIR", help="write the generated files into DIR and leave them there")
    return parser.parse_args()


def _one_size(millions: float, folder: Path, repeat: int, *, check_only: bool) -> bool:
    place = folder / f"{millions:g}M"
    made = scene.write(place, round(millions * 1e6))
    print(f"\n{made.triangles:,} triangles, {len(made.parts)} parts, a shaft over a solid axle's travel", flush=True)
    runs: dict[str, list[Run]] = {name: [] for name in ROUNDS}
    for _ in range(repeat):
        for name in ROUNDS:
            runs[name].append(_run(name, place))
    _print_table(runs)
    seconds = {name: [run.seconds for run in runs[name]] for name in LOOKS}
    print(f"  {intake.verdict(seconds['intake'], seconds['pyvista'], [run.peak_mb for run in runs['intake']])}")
    layout = place / scene.LAYOUT
    if not check_only:
        viewing.show(viewing.measure(layout, place / "cache"))
        watching.show("the same", watching.measure(watching.scene_edits(layout), layout, repeat))
    return _agrees(json.loads(runs["again"][-1].printed), json.loads(runs["fcl"][-1].printed))


def _watch_sample(place: Path, repeat: int) -> None:
    shutil.copytree(SAMPLE, place, dirs_exist_ok=True)
    edits = watching.sample_edits(place)
    print(f"\nthe sample truck with everything that moves: {motion.line(place / 'full.yaml', repeat)}", flush=True)
    viewing.show(viewing.measure(place / "a.yaml", place / "cache"))
    watching.show("the sample truck", watching.measure(edits, place / "a.yaml", repeat))


def _run(name: str, place: Path) -> Run:
    if name in OURS:
        cache = place / "cache"
        if name == "cold":
            shutil.rmtree(cache, ignore_errors=True)
        command = [sys.executable, "-m", "fitcheck", "check", str(place / scene.LAYOUT), "--json"]
        return _timed([*command, "--cache-dir", str(cache), *OURS[name]], place)
    if name in LOOKS:
        return _timed(intake.command(name, place / scene.SCAN), place)
    return _timed([sys.executable, peers.__file__, name, str(place)], place)


def _timed(command: list[str], place: Path) -> Run:
    """Run a process to its end. Raises _Failed when its exit code is no answer."""
    printed = place / "printed"
    with printed.open("wb") as out, (place / "said").open("wb") as err:
        began = time.perf_counter()
        process = subprocess.Popen(command, stdout=out, stderr=err, stdin=subprocess.DEVNULL)
        code, peak = _wait(process)
        seconds = time.perf_counter() - began
    if code not in ANSWERS:
        said = (place / "said").read_text(encoding="utf-8", errors="replace")
        raise _Failed(f"{' '.join(command)}\nended with exit code {code}:\n{said}")
    return Run(printed.read_text(encoding="utf-8"), seconds, peak)


def _wait(process: subprocess.Popen[bytes]) -> tuple[int, float | None]:
    """Wait for a process: its exit code, and its peak memory in MB."""
    if sys.platform == "win32":
        return process.wait(), None
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    per_mb = 2**20 if sys.platform == "darwin" else 2**10  # macOS counts bytes, Linux kilobytes
    return process.returncode, usage.ru_maxrss / per_mb


def _print_table(runs: dict[str, list[Run]]) -> None:
    middle = {name: statistics.median(run.seconds for run in some) for name, some in runs.items()}
    print(f"  {'process':8} {'seconds':>8} {'least':>7} {'most':>7} {'of fcl':>8} {'peak MB':>8}")
    for name, some in runs.items():
        times = [run.seconds for run in some]
        peaks = [run.peak_mb for run in some if run.peak_mb is not None]
        peak = f"{max(peaks):8.0f}" if peaks else "       -"
        ratio = middle[name] / middle["fcl"]
        print(f"  {name:8} {middle[name]:8.2f} {min(times):7.2f} {max(times):7.2f} {ratio:8.3f} {peak}", flush=True)


def _agrees(document: dict[str, object], peer: dict[str, dict[str, float]]) -> bool:
    """Compare the static distance of every part; print the largest difference."""
    clearances = document["clearances"]
    assert isinstance(clearances, list)
    found = {frozenset(row["between"]): row["static_mm"] for row in clearances}
    worst, name = max(
        (abs(found[frozenset((part, "scan"))] - least), part) for part, least in peer["static_mm"].items()
    )
    agreed = bool(worst <= AGREE_MM)
    sign = "agree" if agreed else "DIFFER"
    print(f"  static distances of {len(peer['static_mm'])} parts {sign}: largest difference {worst:.1e} mm ({name})")
    return agreed


def _machine() -> str:
    return f"{platform.platform()}, {os.cpu_count()} cores{_model()}, Python {platform.python_version()}"


def _model() -> str:
    """The processor's name where Linux tells it."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return ""
    return next((", " + line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), "")


if __name__ == "__main__":
    sys.exit(main())
