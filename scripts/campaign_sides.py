"""A long campaign of the side tests against closed forms; the test suite runs a short one.

    python scripts/campaign_sides.py --trials 20

Prints, per scene and per flaw of its scan, how many points in metal and how many outside were answered right,
wrong or not at all; ends with code 1 when one was answered wrong.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

HEAD = f"{'':52s}{'in metal':>8s}{'wrong':>8s}{'open':>8s}{'outside':>14s}{'wrong':>8s}{'open':>8s}"


def campaign(scenes: Sequence[str], flaws: Sequence[str], trials: int, seed: int) -> int:
    """Print one line for each scene and flaw, and each wrong answer; how many were wrong."""
    side_scenes = import_module("side_scenes")
    print(HEAD)
    totals = np.zeros((len(flaws), 6), dtype=int)
    for scene in scenes:
        for row, flaw in enumerate(flaws):
            counts = np.zeros(6, dtype=int)
            for trial in range(trials):
                found = side_scenes.tally(scene, flaw, seed + trial)
                counts += np.array(found.inside + found.outside)
                for line in wrong_answers(found):
                    print(f"    WRONG, seed {seed + trial}: {line}")
            print(figures(scene, flaw, counts))
            totals[row] += counts
    for row, flaw in enumerate(flaws):
        print(figures("all", flaw, totals[row]))
    return int(totals[:, (1, 4)].sum())


def wrong_answers(found: object) -> list[str]:
    """One line for each point of a trial that was answered wrong: what it was, and what each test saw."""
    tally = import_module("side_scenes").Tally
    assert isinstance(found, tally)
    said, votes = found.votes.combined(), found.votes
    rows = np.flatnonzero((said == 0) & found.truth | (said == 1) & ~found.truth)
    return [
        f"{'inside' if found.truth[k] else 'outside'} at {found.points[k].round(1).tolist()}, winding "
        f"{votes.winding_number[k]:.2f}, backs {votes.back_share[k]:.2f}, fronts {votes.front_share[k]:.2f}, "
        f"{votes.distance_mm[k]:.1f} mm from the surface"
        for k in rows
    ]


def figures(scene: str, flaw: str, counts: np.ndarray[tuple[int, ...], np.dtype[np.int_]]) -> str:
    """One line of the table."""
    inside = f"{counts[0]:8d}{counts[1]:8d}{counts[2]:8d}"
    return f"{scene:28s}{flaw:24s}{inside}{counts[3]:14d}{counts[4]:8d}{counts[5]:8d}"


def main() -> int:
    side_scenes = import_module("side_scenes")
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=20, help="trials of each scene and flaw (default 20)")
    parser.add_argument("--scene", choices=sorted(side_scenes.SCENES), help="this scene only")
    parser.add_argument("--flaw", choices=sorted(side_scenes.FLAWS), help="this flaw only")
    parser.add_argument("--seed", type=int, default=1000)
    chosen = parser.parse_args()
    scenes = [chosen.scene] if chosen.scene else list(side_scenes.SCENES)
    flaws = [chosen.flaw] if chosen.flaw else list(side_scenes.FLAWS)
    wrong = campaign(scenes, flaws, chosen.trials, chosen.seed)
    print(f"{wrong} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
