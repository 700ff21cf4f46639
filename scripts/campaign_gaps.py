"""Delete scanned metal beside parts at random: no FAIL and no NOT PROVEN may become a PASS.

    python scripts/campaign_gaps.py --trials 500

Boxes of random size and place beside the metal of the sample scan, chosen so that they FAIL or are NOT PROVEN. Then a
tile's worth of triangles nearest to the box is deleted (or, every other time, the tile that holds the nearest one),
gaps are looked for anew, and the box is judged again. Pieces that vanish wholly (a floater of a few triangles) leave no
gap: such trials are counted apart. Ends 1 when a verdict became PASS.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

from fitcheck import load_scene
from fitcheck.checks.evidence import evidence_of
from fitcheck.checks.pairing import pair_up
from fitcheck.checks.scanned import check_scanned_still
from fitcheck.geometry.borders import topology
from fitcheck.geometry.inside import points_to_triangles
from fitcheck.geometry.solids import Solid, box
from fitcheck.geometry.surface import TILE_SIZE, TiledSurface, tile_surface
from fitcheck.result import Clearance, Verdict
from fitcheck.scan.spec import ScanSpec
from fitcheck.scan.unseen import ScanDay, find_unseen
from fitcheck.vehicle.scene import Part, ScanLayers, Scene

SAMPLE = Path(__file__).resolve().parent.parent / "sample_meshes" / "hollin262" / "a.yaml"


def judged(scene: Scene, scan: ScanLayers, solid: Solid) -> Clearance:
    """The row of a box and the scan, by the engine's own road."""
    part = Part("probe", "hv_box", (solid,), None, "a trial")
    lone = replace(scene, parts=(part,), scan=scan, moving=(), contacts=(), exclusions=())
    pair = next(pair for pair in pair_up(lone).still if pair.between == ("probe", "scan"))
    return check_scanned_still(pair, evidence_of(scan))


def without(surface: TiledSurface, rows: np.ndarray) -> TiledSurface:
    """A surface without some triangles."""
    keep = np.ones(surface.triangle_count, dtype=bool)
    keep[rows] = False
    return tile_surface(np.asarray(surface.vertices), np.asarray(surface.faces)[keep])


def torn(scan: ScanLayers, left: TiledSurface) -> ScanLayers:
    """The scan with this metal left, and what is not seen in it now."""
    spec = ScanSpec(Path("scan"), "mm", seen_from=scan.seen_from)
    unseen = find_unseen(left, ScanDay(left, scan.removed), spec)
    return replace(scan, metal=left, unseen=unseen.places, key="", entry=None)


def nearest_rows(surface: TiledSurface, solid: Solid, whole_tile: bool) -> np.ndarray:
    """The triangles to delete: the tile of the nearest one, or the nearest ones, as many."""
    corners = np.asarray(surface.vertices)[np.asarray(surface.faces)]
    middles = corners.mean(axis=1)
    low, high = solid.extents()
    gaps = np.linalg.norm(np.maximum(np.maximum(low - middles, middles - high), 0.0), axis=1)
    near = np.argsort(gaps)[: 8 * TILE_SIZE]
    exact = np.min([points_to_triangles(corners[near][:, k], solid.vertices[solid.faces]) for k in range(3)], axis=0)
    order = near[np.argsort(exact, kind="stable")]
    if not whole_tile:
        return order[:TILE_SIZE]
    tile = int(np.searchsorted(surface.starts, order[0], side="right")) - 1
    return np.arange(surface.starts[tile], surface.starts[tile + 1])


def probe(random: np.random.Generator, surface: TiledSurface) -> Solid:
    """A box of random size in front of a random place of the metal, just touching it to just too near."""
    row = int(random.integers(surface.triangle_count))
    corners = np.asarray(surface.vertices)[np.asarray(surface.faces)[row]]
    normal = np.cross(corners[1] - corners[0], corners[2] - corners[0])
    half = random.uniform(8.0, random.choice([20.0, 60.0, 200.0]), 3)
    way = normal / max(np.linalg.norm(normal), 1e-12) + random.normal(size=3) * random.choice([0.0, 0.3])
    way /= np.abs(way / half).max()  # from the middle of the box to its surface
    gap = random.uniform(-3.0, 6.0)
    middle = corners.mean(axis=0) + way * (1.0 + gap / np.linalg.norm(way))
    return box(middle - half, middle + half)


def main(arguments: list[str]) -> int:
    """Run the trials and say what became of the verdicts."""
    parser = argparse.ArgumentParser(description="Delete scanned metal beside parts: nothing may become a PASS.")
    parser.add_argument("--trials", type=int, default=100)
    parser.add_argument("--seed", type=int, default=4)
    options = parser.parse_args(arguments)
    scene = load_scene(SAMPLE)
    assert scene.scan is not None
    metal, random = scene.scan.metal, np.random.default_rng(options.seed)
    pieces = topology(np.asarray(metal.vertices), np.asarray(metal.faces)).pieces
    outcomes: Counter[str] = Counter()
    wrong, trial = 0, 0
    while trial < options.trials:
        solid = probe(random, metal)
        before = judged(scene, scene.scan, solid)
        if before.verdict is Verdict.PASS:
            continue
        trial += 1
        rows = nearest_rows(metal, solid, trial % 2 == 1)
        left = without(metal, rows)
        after = judged(scene, torn(scene.scan, left), solid)
        gone = set(pieces[rows].tolist()) - set(np.delete(pieces, rows).tolist())
        label = f"{before.verdict.value} → {after.verdict.value}" + (" (a whole piece vanished)" if gone else "")
        outcomes[label] += 1
        if trial % 25 == 0:
            print(f"{trial} trials, {wrong} became PASS", file=sys.stderr, flush=True)
        if after.verdict is Verdict.PASS and not gone:
            wrong += 1
            print(f"trial {trial}: {solid.extents().round(1).tolist()}: {before.reason} {before.distance_mm:.2f} → "
                  f"{after.distance_mm:.2f}, unseen {after.unseen_mm}")  # fmt: skip
    for label, count in sorted(outcomes.items()):
        print(f"{count:6d}  {label}")
    print(f"{trial} trials: {wrong} became PASS")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
