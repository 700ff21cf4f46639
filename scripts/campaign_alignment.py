"""A long campaign of the alignment: random rigid moves with noise on the marks; the test suite runs a short one.

    python scripts/campaign_alignment.py --trials 1000

For targets in all axes, for partial ones and for 3-2-1 it prints how many random places within
the vehicle lie within three sigma of what the lever arm foretells, and how the estimated sigma compares with
the noise put in; ends with code 1 when one of them breaks its bound.
"""

from __future__ import annotations

import argparse
import sys
import time
from importlib import import_module
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

LEAST_WITHIN, MOST_OFF = 0.99, 0.10


def run(way: str, trials: int, noise_mm: float, seed: int) -> bool:
    """Print one line; whether both bounds hold."""
    began = time.perf_counter()
    found = import_module("test_align_campaign").campaign(way, trials, noise_mm, seed)
    mean, square = float(found.sigmas_mm.mean()) / noise_mm, float((found.sigmas_mm**2).mean()) / noise_mm**2
    good = found.coordinates >= LEAST_WITHIN and abs(mean - 1.0) <= MOST_OFF and abs(square - 1.0) <= MOST_OFF
    print(
        f"{way:14s} {trials} moves: within 3 sigma {100 * found.coordinates:.2f} % by coordinate, "
        f"{100 * found.lengths:.2f} % by length; mean of sigma {mean:.3f}, of its square {square:.3f} times the noise; "
        f"{time.perf_counter() - began:.0f} s  {'ok' if good else 'BROKEN'}"
    )
    return good


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=1000, help="random moves of each kind (default 1000)")
    parser.add_argument("--noise", type=float, default=1.5, help="one sigma of a mark's coordinate, mm (default 1.5)")
    parser.add_argument("--seed", type=int, default=0)
    chosen = parser.parse_args()
    ways = import_module("test_align_campaign").WAYS
    broken = [way for way in ways if not run(way, chosen.trials, chosen.noise, chosen.seed)]
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
