"""What moves beside what stands still: the whole check of a layout, and the same with everything held as scanned.

    python motion.py [LAYOUT] [--repeat 3] [--cores 1]

Both in this process, on a prepared scan, every pair computed anew: "moving" judges every pair over all of its travel
to 0.1 mm and part by part; "static" judges the still pairs and measures each moving pair where it was scanned, without
asking what would clear it. The moving check may take 20 times as long.
"""

from __future__ import annotations

import argparse
import statistics
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fitcheck.vehicle.scene import Scene

MOST_TIMES = 20.0

LAYOUT = Path(__file__).resolve().parents[2] / "sample_meshes" / "hollin262" / "full.yaml"


def main() -> None:
    """Check a layout both ways and print the line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("layout", type=Path, nargs="?", default=LAYOUT)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--cores", type=int, default=1, help="processes that share the moving pairs; 0: one a core")
    options = parser.parse_args()
    print(line(options.layout, options.repeat, options.cores))


def line(layout: Path, repeat: int = 3, cores: int = 1) -> str:
    """Seconds of both, their ratio and the number of pairs."""
    from fitcheck.checks.run import check_scene
    from fitcheck.layout import load_scene

    scene = load_scene(layout)
    found: dict[str, list[float]] = {"moving": [], "static": []}
    for _ in range(repeat):
        began = time.perf_counter()
        rows = check_scene(scene, fresh=True, cores=cores).clearances
        found["moving"].append(time.perf_counter() - began)
        began = time.perf_counter()
        measure_as_scanned(scene)
        found["static"].append(time.perf_counter() - began)
    took, still = (statistics.median(seconds) for seconds in found.values())
    bounds = [(row.distance_mm, row.at_least_mm) for row in rows]
    loose = [low for high, low in bounds if high is not None and low is not None and high - low > 0.1 + 1e-6]
    moved = sum(bool(row.causes) for row in rows)
    apart = f", {len(loose)} wider than 0.1 mm, all at least {min(loose):.0f} mm apart" if loose else ""
    return (
        f"motion {took:.2f} s for {len(rows)} pairs ({moved} move{apart}), {took / still:.1f} times the static check "
        f"({still:.2f} s): {'within' if took <= MOST_TIMES * still else 'OVER'} {MOST_TIMES:g} times"
    )


def measure_as_scanned(scene: Scene) -> None:
    """Judge every still pair, and measure every moving one where it was scanned."""
    from fitcheck.checks.pairing import pair_up
    from fitcheck.checks.pairs import check_still
    from fitcheck.checks.scanned import check_scanned_still
    from fitcheck.checks.swept import movers_of

    pairing = pair_up(scene)
    for pair in pairing.still:
        _ = check_still(pair) if pair.evidence is None else check_scanned_still(pair, pair.evidence)
    for body, moving in pairing.moving:
        movers = movers_of(body, moving)
        _ = movers and movers.closest(movers.space.scan_pose)


if __name__ == "__main__":
    main()
