"""Draws the README's pictures from the sample, without a screen.

    .venv/bin/python scripts/readme_pictures.py [--into sample_meshes/hollin262/pictures]

The window of arrangement A with the pair A2 – rear_shaft in its worst pose, that pair close up, and
A beside D under one camera; PNGs with few colours.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from fitcheck import check_scene, load_scene
from fitcheck.view.column import Arrangement
from fitcheck.view.picture import write_png
from fitcheck.view.window import Window

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "sample_meshes" / "hollin262"
PAIR = ("A2", "rear_shaft")


def main() -> None:
    """Draw the three pictures and say how large they are."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--into", type=Path, default=SAMPLE / "pictures", metavar="DIR")
    folder = parser.parse_args().into
    shown = {name: _checked(name) for name in ("a", "d")}
    _draw([shown["a"]], _the_window, folder / "window.png")
    _draw([shown["a"]], _close_up, folder / "close_up.png")
    _draw([shown["a"], shown["d"]], _the_window, folder / "side_by_side.png")


def _checked(name: str) -> Arrangement:
    scene = load_scene(SAMPLE / f"{name}.yaml")
    return Arrangement(scene, check_scene(scene), name)


def _draw(shown: list[Arrangement], act: Callable[[Window], None], path: Path) -> None:
    window = Window(shown, off_screen=True)
    window.open()
    window.heat_up()
    act(window)
    window.render()
    write_png(window.canvas.pixels(), path)
    window.close()
    print(f"{path.relative_to(ROOT) if path.is_relative_to(ROOT) else path}: {path.stat().st_size / 1024:.0f} kB")


def _the_window(window: Window) -> None:
    for column in window.columns:
        between = [row.between for row in column.rows]
        column.choose(between.index(PAIR) if PAIR in between else 2)
    window.act("worst_pose")


def _close_up(window: Window) -> None:
    _the_window(window)
    window.act("close_up")


if __name__ == "__main__":
    main()
