"""A long campaign of what the scanner could see against exact rays; the test suite runs a short one.

    python scripts/campaign_sight.py --trials 20

Each trial is a scene of random boxes, open and closed, some of them removed, looked at from random stations. Asked at
random cells: called seen without a free line (must be none); called unseen though an exact line along the same
directions, or along ten times as many, is free (harmless: narrow gaps). Ends with code 1 when a cell was called seen
wrongly.
"""

from __future__ import annotations

import argparse
import sys
from importlib import import_module
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

Floats = NDArray[np.float64]


def random_scene(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Corners (n, 3, 3) of the triangles that stay, and of those that are removed; z from 300 to 1300."""
    shapes = import_module("shapes")
    kinds: list[list[Floats]] = [[], []]
    for number in range(12):
        at, size = rng.uniform([-600, -400, 500], [600, 400, 1100], 3), rng.uniform(10, 500, 3)
        vertices, faces = shapes.box_mesh(-size / 2, size / 2)
        turn = np.linalg.qr(rng.normal(size=(3, 3)))[0] if rng.random() < 0.5 else np.eye(3)
        kinds[number % 4 == 0].append((vertices @ turn.T + at)[faces[2 * rng.integers(0, 4) :]])
    return np.concatenate(kinds[0]), np.concatenate(kinds[1])


def lines_in_cones(rng: np.random.Generator, axes: Floats, half_angle_deg: float, count: int) -> Floats:
    """Random unit vectors (count, 3) within the cones."""
    some = rng.normal(size=(40 * count, 3))
    some /= np.linalg.norm(some, axis=1)[:, None]
    within: Floats = some[(some @ axes.T).max(axis=1) >= np.cos(np.radians(half_angle_deg))]
    return within[:count]


def trial(seed: int, cells: int) -> NDArray[np.int64]:
    """Counts: asked, wrongly seen, unseen, of those with a free line along the same lines, and along finer ones."""
    from fitcheck.geometry.surface import tile_surface
    from fitcheck.scan import visibility

    rng, free_lines = np.random.default_rng(seed), import_module("test_sight").free_lines
    parts = random_scene(rng)
    metal, removed = (
        tile_surface(part.reshape(-1, 3), np.arange(3 * len(part), dtype=np.int32).reshape(-1, 3)) for part in parts
    )
    stations = tuple(rng.choice(list(visibility.STATIONS), rng.integers(1, 4), replace=False).tolist())
    grid = visibility.sight_grid(metal, {"thing": removed}, stations)
    corners = np.concatenate(parts)

    def some(mask: NDArray[np.bool_]) -> Floats:
        chosen = np.argwhere(mask)
        return grid.origin_mm + (rng.permutation(chosen)[:cells] + 0.5) * grid.cell_mm

    lines = visibility.lines_of_sight(stations)
    axes = np.array([visibility.STATIONS[name] for name in stations], dtype=np.float64)
    fine = lines_in_cones(rng, axes, visibility.CONE_DEG, 10 * len(lines))
    seen, unseen = some(grid.state == visibility.SEEN), some(grid.unseen())
    wrong = ~free_lines(seen, lines, corners).any(axis=1)
    same, finer = (free_lines(unseen, ways, corners).any(axis=1) for ways in (lines, fine))
    return np.array([len(seen), wrong.sum(), len(unseen), same.sum(), (same | finer).sum()])


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=20, help="random scenes (default 20)")
    parser.add_argument("--cells", type=int, default=200, help="cells asked of each kind and scene (default 200)")
    parser.add_argument("--seed", type=int, default=2024)
    chosen = parser.parse_args()
    total = np.zeros(5, dtype=np.int64)
    for number in range(chosen.trials):
        total += trial(chosen.seed + number, chosen.cells)
    asked, wrong, unseen, same, finer = total.tolist()
    print(f"{chosen.trials} scenes: {asked} cells called seen, {wrong} of them without a free line")
    print(f"{unseen} called unseen: {same} have a free line among those looked along, {finer} among ten times as many")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
