"""A truck under a scanned floor with one box, to be compared with another of its kind."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
from trucks import axles, mass, part, plate, rear_axle, scanned, scene, weights

from fitcheck.comparison import Comparison, Row
from fitcheck.geometry.solids import box
from fitcheck.study.figures import Column
from fitcheck.vehicle.masses import ledger
from fitcheck.vehicle.moving import axle_body
from fitcheck.vehicle.scene import LoadState, Scene

SAMPLE = Path(__file__).parents[1] / "sample_meshes" / "hollin262"
ARRANGEMENTS = ("a", "a2", "d", "b", "b2")
FLOOR = plate((-600, 3400), (-500, 500), 560.0)
LADEN = LoadState("laden", (mass("driver", 85, (1150, 350, 950), place=20.0), mass("cargo", 300, (2500, 0, 1000))))
STATES = (LoadState("kerb"), LADEN)


def truck(file: str = "a.yaml", at: tuple[float, float, float] = (1400, -300, 380), **more) -> Scene:
    """A truck under a scanned floor, with one box of 400 × 200 × 120 whose front left bottom is at ``at``."""
    low = np.array(at, dtype=float)
    size = np.array(more.pop("size", (400.0, 200.0, 120.0)))
    kg = more.pop("kg", 60.0)
    weighs = mass("B1", kg, low + size / 2.0, sigma=0.03 * kg, place=20.0)
    axle = rear_axle()
    both = axles(mechanism="rear_axle")
    more = {
        "parts": (part("B1", box(low, low + size), weighs=weighs),),
        "scan": scanned(FLOOR),
        "axles": both,
        "mechanisms": {"rear_axle": axle},
        "weights": weights(sigma=1.0, gain_sigma=1.0, removed=(mass("engine", 238, (60, 0, 720), sigma=11.9),)),
        "load_states": STATES,
        "inputs": {file: "0" * 64, "scan.ply": "1" * 64},
        **more,
    }
    return dataclasses.replace(scene(**more), layout_file=file, title=f"the box of {file}")


def moving_truck(file: str, at: tuple[float, float, float]) -> Scene:
    return dataclasses.replace(truck(file, at), moving=(axle_body(rear_axle()),))


def column(found: Scene, state: LoadState = LADEN) -> Column:
    return Column(found.layout_file, found, ledger(found, state), None)


def row(comparison: Comparison, name: str, state: str | None = None) -> Row:
    return next(item for item in comparison.rows if item.name == name and (state is None or item.state == state))
