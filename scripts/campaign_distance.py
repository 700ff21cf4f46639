"""A long campaign of the distance engine against the tests' oracle; the test suite runs a short one.

    python scripts/campaign_distance.py --trials 20000

Prints per kind of triangle pair, and per kind of mesh pair, the largest difference and the
contacts missed; ends with code 1 when a bound of tests/test_engine_promises.py is broken.
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


def triangle_campaign(trials: int, seed: int) -> bool:
    """Every kind of pair: as made, turned at random, and turned at coordinates of 1e4."""
    oracle, triangle_pairs, promises = (
        import_module(name) for name in ("oracle", "triangle_pairs", "test_engine_promises")
    )
    from fitcheck.geometry.distance import triangle_pair_distances

    good = True
    for kind, make in triangle_pairs.CATEGORIES.items():
        rng = np.random.default_rng(seed)
        made = make(rng, trials)
        for name, pairs in (
            ("as made", made),
            ("turned", triangle_pairs.turned(made, rng)),
            ("at 1e4", triangle_pairs.turned(made, rng, 1e4)),
        ):
            found, truth = triangle_pair_distances(*pairs), oracle.triangle_distances(*pairs)
            good &= report(f"{kind}, {name}", found, truth, promises.BOUND_OF_KIND_MM.get(kind, promises.BOUND_MM))
    return good


def mesh_campaign(trials: int, seed: int) -> bool:
    """Every shape of the zoo against every other, within 2000 mm of each other."""
    oracle, shapes = import_module("oracle"), import_module("shapes")
    from fitcheck.geometry.distance import closest
    from fitcheck.geometry.solids import Solid
    from fitcheck.geometry.surface import tile_surface

    good = True
    for kind, make in shapes.ZOO.items():
        rng = np.random.default_rng(seed)
        found, truth = np.empty(trials), np.empty(trials)
        for trial in range(trials):
            first = make(rng)
            second = shapes.ZOO[str(rng.choice(sorted(shapes.ZOO)))](rng)
            second = shapes.moved(second, rng, float(rng.choice([50.0, 200.0, 2000.0])))
            found[trial] = closest(tile_surface(*first), Solid(*second)).distance_mm
            truth[trial] = oracle.mesh_distance(first, second)
        good &= report(f"mesh {kind}", found, truth, 1e-6)
    return good


def report(name: str, found: NDArray[np.float64], truth: NDArray[np.float64], bound_mm: float) -> bool:
    """Print one line; whether the bound holds and no contact is missed."""
    worst = float(np.abs(found - truth).max())
    missed = int((found[truth <= 1e-9] > 1e-6).sum())
    good = worst <= bound_mm and missed == 0
    verdict = "ok" if good else "BROKEN"
    print(f"{name:40s} n {len(found):7d}  largest difference {worst:8.1e} mm  missed contacts {missed}  {verdict}")
    return good


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=20_000, help="triangle pairs of each kind (default 20000)")
    parser.add_argument("--meshes", type=int, default=200, help="mesh pairs of each shape (default 200)")
    parser.add_argument("--seed", type=int, default=2024)
    chosen = parser.parse_args()
    triangles = triangle_campaign(chosen.trials, chosen.seed)
    meshes = mesh_campaign(chosen.meshes, chosen.seed)
    return 0 if triangles and meshes else 1


if __name__ == "__main__":
    sys.exit(main())
