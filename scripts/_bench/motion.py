"""What moves beside what stands still: the whole check of a layout, and the same with everything held as scanned.

    python motion.py [LAYOUT] [--repeat 3] [--cores 1]

Both in this process, on a prepared scan, every pair computed anew: "moving" judges every pair over all of its travel
to 0.1 mm and part by part; "static" judges the same pairs with each moving body as a part that stands where it was
scanned. The moving check may take 20 times as long.
"""

from __future__ import annotations

import argparse
import statistics
import time
from dataclasses import replace
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

    moving = load_scene(layout)
    held = as_scanned(moving)
    seconds: dict[str, list[float]] = {"moving": [], "static": []}
    rows = {}
    for _ in range(repeat):
        for name, scene, lent in (("moving", moving, cores), ("static", held, 1)):
            began = time.perf_counter()
            rows[name] = check_scene(scene, fresh=True, cores=lent).clearances
            seconds[name].append(time.perf_counter() - began)
    took, still = (statistics.median(seconds[name]) for name in ("moving", "static"))
    bounds = [(row.distance_mm, row.at_least_mm) for row in rows["moving"]]
    loose = [low for high, low in bounds if high is not None and low is not None and high - low > 0.1 + 1e-6]
    wide, near = len(loose), min(loose, default=0.0)
    moved = sum(bool(row.causes) for row in rows["moving"])
    apart = f", {wide} wider than 0.1 mm, all at least {near:.0f} mm apart" if wide else ""
    return (
        f"motion {took:.2f} s for {len(rows['moving'])} pairs ({moved} move{apart}), {took / still:.1f} times the "
        f"static check ({still:.2f} s, {len(rows['static'])} pairs): "
        f"{'within' if took <= MOST_TIMES * still else 'OVER'} {MOST_TIMES:g} times"
    )


def as_scanned(scene: Scene) -> Scene:
    """The scene with each moving body as a part that stands where it was scanned."""
    from fitcheck.vehicle.scene import Part

    known = {part.name for part in scene.parts}
    stood = tuple(
        Part(body.name, body.part_class, tuple(body.solids(body.space.scan_pose)), None, "as scanned")
        for body in scene.moving
        if body.name not in known
    )
    parts = tuple(replace(part, on="") for part in scene.parts)
    return replace(scene, parts=parts + stood, moving=())


if __name__ == "__main__":
    main()
