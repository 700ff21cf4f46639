"""Write the sample: the scan of the invented Hollin 262, and its targets into vehicle.yaml.

    python scripts/make_sample.py             # in place: sample_meshes/hollin262
    python scripts/make_sample.py --to DIR    # a whole copy of the sample in DIR

Needs numpy. The same files to the byte, every time and on every machine. The layouts are written by hand;
only the numbers of the targets in vehicle.yaml come from here.
"""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path

from hollin262 import scan_m, target_lines, write_ply

SAMPLE = Path(__file__).resolve().parent.parent / "sample_meshes" / "hollin262"
SCAN_FILE = "hollin262_scan.ply"
LAYOUTS = ("vehicle.yaml", "a.yaml", "a2.yaml", "d.yaml", "b.yaml", "b2.yaml")


def write_sample(folder: Path) -> tuple[Path, ...]:
    """Write the scan, the layouts and the README to ``folder``; returns the files, scan first."""
    folder.mkdir(parents=True, exist_ok=True)
    write_ply(folder / SCAN_FILE, scan_m())
    for name in (*LAYOUTS, "README.md"):
        text = (SAMPLE / name).read_bytes().decode("utf-8")
        if name == "vehicle.yaml":
            text = with_targets(text, target_lines())
        (folder / name).write_bytes(text.encode("utf-8"))
    return tuple(folder / name for name in (SCAN_FILE, *LAYOUTS, "README.md"))


def with_targets(text: str, targets: dict[str, str]) -> str:
    """The text of vehicle.yaml with the numbers of every target replaced; SystemExit when one has no line."""
    for name, numbers in targets.items():
        line = re.compile(rf"^( +{name}: )\{{scan: [^}}]*\}}", re.MULTILINE)
        text, count = line.subn(rf"\g<1>{numbers}", text)
        if count != 1:
            raise SystemExit(f"vehicle.yaml: expected one line '{name}: {{scan: …}}', found {count}")
    return text


def main(arguments: list[str]) -> None:
    """Read the command line, write the sample, say how large each file is."""
    parser = argparse.ArgumentParser(description="Write the sample scan and the targets of its layout.")
    parser.add_argument("--to", type=Path, default=SAMPLE, metavar="DIR", help="folder to write to")
    for path in write_sample(parser.parse_args(arguments).to):
        print(f"{path.stat().st_size:>10,} bytes  {path}")


if __name__ == "__main__":
    main(sys.argv[1:])
