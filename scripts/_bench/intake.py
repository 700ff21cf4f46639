"""The first look at a scan beside the bare reading of the same file with pyvista.

    python intake.py SCAN [--repeat 3]

Whole processes, from start to end: "intake" is ``fitcheck scan SCAN --json``, "pyvista" a script that
reads the file and does nothing else. The look may take three times as long, and 2 GB.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

MOST_TIMES, MOST_MB = 3.0, 2000.0

_READ = "import sys, pyvista; print(pyvista.read(sys.argv[1]).n_cells)"


def command(name: str, scan: Path) -> list[str]:
    """The command line of one process."""
    if name == "intake":
        return [sys.executable, "-m", "fitcheck", "scan", str(scan), "--json", "--units", "mm"]
    return [sys.executable, "-c", _READ, str(scan)]


def verdict(looks: Sequence[float], reads: Sequence[float], peaks_mb: Sequence[float | None]) -> str:
    """Seconds and peak memory in one line, with what is allowed."""
    times = statistics.median(looks) / statistics.median(reads)
    peak = max((peak for peak in peaks_mb if peak is not None), default=0.0)
    held = "within" if times <= MOST_TIMES and peak <= MOST_MB else "OVER"
    return (
        f"intake {statistics.median(looks):.2f} s, {times:.2f} times the reading ({statistics.median(reads):.2f} s), "
        f"{peak:.0f} MB: {held} {MOST_TIMES:g} times and {MOST_MB:.0f} MB"
    )


def main() -> None:
    """Run both on one file and print the line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scan", type=Path)
    parser.add_argument("--repeat", type=int, default=3)
    options = parser.parse_args()
    found: dict[str, list[float]] = {"intake": [], "pyvista": []}
    peaks: list[float | None] = []
    for _ in range(options.repeat):
        for name, seconds in found.items():
            took, peak = _timed(command(name, options.scan))
            seconds.append(took)
            if name == "intake":
                peaks.append(peak)
    print(verdict(found["intake"], found["pyvista"], peaks))


def _timed(arguments: list[str]) -> tuple[float, float | None]:
    """Seconds and peak memory in MB (None where the operating system does not tell) of a whole process."""
    began = time.perf_counter()
    process = subprocess.Popen(arguments, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    if sys.platform == "win32":
        process.wait()
        return time.perf_counter() - began, None
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        sys.exit(f"{' '.join(arguments)} ended with exit code {process.returncode}")
    return time.perf_counter() - began, usage.ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)


if __name__ == "__main__":
    main()
