"""The figures of one column, each with the named errors that make its ±.

Loads, bump left and the centre of gravity are sums over the ledger, so their errors are kept
line by line: a mass that both columns hold with the same name and ± errs by the same amount in
both, and so does a coordinate of a place that is the same to the last bit. A mass that was
moved keeps its own error, which then acts at another lever; its place counts as measured anew.
The scales and the measured height are common to all. Each line's slope is the derivative of
the formula in checks/loads.py, with the rates of springs and tyres, and the tracks, taken as
exact; the height of the centre of gravity over the ground also follows the floor.

Heights and angles depend on scan, place and springs together; their errors are named after
the column, so that nothing of them cancels between two.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.checks.ground import FIGURES, scan_speaks
from fitcheck.checks.limits import point_sigma_mm, underside_sigma
from fitcheck.checks.loads import cg_over_ground_mm, mean_track_mm, stability_factor
from fitcheck.comparison import Cell
from fitcheck.result import Ground, Owned, PartEcho
from fitcheck.vehicle.masses import Ledger, totals
from fitcheck.vehicle.scene import SCAN, Scene, Weights
from fitcheck.vehicle.stance import bump_left_mm, drop_covariance, give_mm_per_kg, stance

Floats = NDArray[np.float64]
Cells = dict[str, Cell]

HV_BOX = "hv_box"

_CORNERS = ("front_left", "front_right", "rear_left", "rear_right")


@dataclass(frozen=True)
class Column:
    """What the figures of a column are taken from. ``ground`` may hold the names of scanned pieces as owners."""

    name: str
    scene: Scene
    book: Ledger
    ground: Ground | None


@dataclass(frozen=True)
class _Slopes:
    """What a figure gains for 1 kg more in each line (n,), 1 mm along each axis (n, 3), 1 kg on each scale (4,),
    and 1 mm on the height as weighed."""

    mass: Floats
    place: Floats
    scales: Floats
    height: float = 0.0

    def plus(self, other: _Slopes, times: float) -> _Slopes:
        mass, place = self.mass + times * other.mass, self.place + times * other.place
        return _Slopes(mass, place, self.scales + times * other.scales, self.height + times * other.height)

    def times(self, factor: float) -> _Slopes:
        return _Slopes(self.mass * factor, self.place * factor, self.scales * factor, self.height * factor)


def load_cells(column: Column) -> Cells:
    """Masses, axle loads, share, room under the ratings: by the name of the figure."""
    book, total = column.book, totals(column.book)
    front, rear = _axle_slopes(book, 0), _axle_slopes(book, 1)
    share = total.front_kg / total.mass_kg
    found = {
        "mass_kg": (total.mass_kg, _mass_slopes(book)),
        "front_kg": (total.front_kg, front),
        "rear_kg": (total.rear_kg, rear),
        "front_share_pct": (100.0 * share, _share_slopes(book, share, total.mass_kg)),
    }
    for axle, load, slopes in ((book.front, total.front_kg, front), (book.rear, total.rear_kg, rear)):
        if axle.rating_kg is not None:
            found[f"room_{axle.name}_kg"] = (axle.rating_kg - load, slopes.times(-1.0))
    return _cells(column, found)


def balance_cells(column: Column) -> Cells:
    """Centre of gravity and static stability factor; those that rest on its height only where that was measured."""
    book, total = column.book, totals(column.book)
    x, y, _ = total.cg_mm
    found = {"cg_x_mm": (x, _centre_slopes(book, 0)), "cg_y_mm": (y, _centre_slopes(book, 1))}
    height = cg_over_ground_mm(book, stance(book))
    if height is not None:
        slopes, factor = _height_slopes(book), stability_factor(mean_track_mm(book), height)
        found["cg_height_mm"] = (height, slopes)
        found["ssf"] = (factor, slopes.times(-factor / height))
    return _cells(column, found)


def bump_cells(column: Column) -> Cells:
    """Bump travel left at each axle that a mechanism carries."""
    left = bump_left_mm(column.scene, stance(column.book))
    found = {}
    for k, axle in enumerate((column.book.front, column.book.rear)):
        value = left[axle.name]
        if value is not None:
            found[f"bump_left_{axle.name}_mm"] = (value, _bump_slopes(column.book, k))
    return _cells(column, found)


def ground_cells(column: Column) -> Cells:
    """Heights over the ground and angles, with owners; without a ground none."""
    if column.ground is None:
        return {}
    found = {}
    for figure in FIGURES:
        name = "belly_mm" if figure == "belly" else f"{figure}_deg"
        found[name] = _underside_cell(column, figure, column.ground.owners[figure])
    for axle in ("front", "rear"):
        found[f"under_{axle}_axle_mm"] = _axle_cell(column, axle, column.ground.owners[f"under_{axle}_axle"])
    return {name: cell for name, cell in found.items() if cell.value is not None}


def box_cells(parts: tuple[PartEcho, ...], scene: Scene) -> Cells:
    """How many parts of the class hv_box there are, of how many sizes, and what they weigh together."""
    boxes = [part for part in parts if part.part_class == HV_BOX]
    masses = [part.mass for part in scene.parts if part.part_class == HV_BOX and part.mass is not None]
    terms = {f"mass of {m.name}: {m.mass_kg.value} ± {m.mass_kg.sigma} kg": m.mass_kg.sigma for m in masses}
    without = [part.name for part in boxes if part.mass_kg is None]
    note = f"without {', '.join(without)}: no mass given" if without else ""
    return {
        "hv_box_kg": Cell(sum(mass.mass_kg.value for mass in masses), terms, note=note),
        "hv_box_count": Cell(float(len(boxes))),
        "hv_box_sizes": Cell(float(len({_size(part) for part in boxes if part.x_mm is not None}))),
    }


def _size(part: PartEcho) -> tuple[float, ...]:
    """Outer size along the axes, to a tenth of a mm, the longest side first: turned or mirrored it is the same."""
    spans = [span for span in (part.x_mm, part.y_mm, part.z_mm) if span is not None]
    return tuple(sorted((round(high - low, 1) for low, high in spans), reverse=True))


# --- the ledger's slopes -----------------------------------------------------------------


def _mass_slopes(book: Ledger) -> _Slopes:
    return _Slopes(np.ones(len(book.changes)), np.zeros((len(book.changes), 3)), np.ones(4))


def _axle_slopes(book: Ledger, column: int) -> _Slopes:
    """Of an axle's load: its share of each mass, and the mass over the wheelbase for each mm rearward."""
    scales = np.array([1.0, 1.0, 0.0, 0.0] if column == 0 else [0.0, 0.0, 1.0, 1.0])
    return _Slopes(book.shares[:, column], _along(book, 0, _lever(book, column)), scales)


def _lever(book: Ledger, column: int) -> Floats:
    return book.masses_kg / book.wheelbase_mm * (-1.0 if column == 0 else 1.0)


def _share_slopes(book: Ledger, share: float, mass_kg: float) -> _Slopes:
    """Of the front share in per cent: dp = (dF − p dW) / W."""
    front, whole = _axle_slopes(book, 0), _mass_slopes(book)
    scales = front.scales - share * whole.scales
    return _Slopes(front.mass - share, front.place, scales).times(100.0 / mass_kg)


def _centre_slopes(book: Ledger, axis: int) -> _Slopes:
    """Of the centre of gravity along an axis: dc = (Σ (c_i − c) dm_i + m_i dc_i) / M, the scales at their corners."""
    total, weighed = totals(book), book.weighed
    centre = total.cg_mm[axis] or 0.0
    half = book.front.track_mm / 2.0, book.rear.track_mm / 2.0
    height = 0.0 if weighed.height_mm is None else weighed.height_mm.value
    corners = {
        0: [book.front.x_mm, book.front.x_mm, book.rear.x_mm, book.rear.x_mm],
        1: [-half[0], half[0], -half[1], half[1]],
        2: [height] * 4,
    }[axis]
    slopes = _Slopes(
        book.places_mm[:, axis] - centre,
        _along(book, axis, book.masses_kg),
        np.array(corners) - centre,
        weighed.mass_kg.value if axis == 2 else 0.0,
    )
    return slopes.times(1.0 / total.mass_kg)


def _height_slopes(book: Ledger) -> _Slopes:
    """Of the centre of gravity's height over the ground: its own, less the floor's under it (cosine of pitch 1)."""
    stood = stance(book)
    rear = ((totals(book).cg_mm[0] or 0.0) - book.front.x_mm) / book.wheelbase_mm
    slopes = _centre_slopes(book, 2).plus(_centre_slopes(book, 0), -stood.slope)
    return slopes.plus(_drop_slopes(book, 0), rear - 1.0).plus(_drop_slopes(book, 1), -rear)


def _drop_slopes(book: Ledger, column: int) -> _Slopes:
    """Of the body drop at an axle: springs under the sprung changes, tyres under all; counted from the weighing."""
    spring, tyre = give_mm_per_kg((book.front, book.rear)[column])
    return _given(book, column, np.where(book.sprung, spring, 0.0) + tyre)


def _bump_slopes(book: Ledger, column: int) -> _Slopes:
    """Of the bump left at an axle: the springs carry the sprung changes alone."""
    spring, _ = give_mm_per_kg((book.front, book.rear)[column])
    return _given(book, column, np.where(book.sprung, -spring, 0.0))


def _given(book: Ledger, column: int, mm_per_kg: Floats) -> _Slopes:
    return _Slopes(mm_per_kg * book.shares[:, column], _along(book, 0, mm_per_kg * _lever(book, column)), np.zeros(4))


def _along(book: Ledger, axis: int, values: Floats) -> Floats:
    place = np.zeros((len(book.changes), 3))
    place[:, axis] = values
    return place


# --- errors by name ----------------------------------------------------------------------


def _cells(column: Column, found: dict[str, tuple[float, _Slopes]]) -> Cells:
    weights = column.scene.weights
    return {name: Cell(value, _terms(column.book, weights, slopes)) for name, (value, slopes) in found.items()}


def _terms(book: Ledger, weights: Weights | None, slopes: _Slopes) -> dict[str, float]:
    """Error → its one sigma in the figure. Equal names are the same error; errors of nothing are left out."""
    found: dict[str, float] = {}
    if weights is not None:
        for corner, slope in zip(_CORNERS, slopes.scales, strict=True):
            reading = getattr(weights.as_weighed, corner)
            _add(found, f"scale {corner}: {reading.value} ± {reading.sigma} kg", float(slope) * reading.sigma)
    height = book.weighed.height_mm
    if height is not None:
        _add(found, f"height as weighed: {height.value} ± {height.sigma} mm", slopes.height * height.sigma)
    for entry, by_mass, by_place in zip(book.changes, slopes.mass, slopes.place, strict=True):
        what = f"mass of {entry.name}: {abs(entry.mass_kg)} ± {entry.mass_sigma_kg} kg"
        _add(found, what if entry.mass_kg >= 0.0 else f"{what}, off", float(by_mass) * entry.mass_sigma_kg)
        for axis, at, slope in zip("xyz", entry.cg_mm, by_place, strict=True):
            name = f"{axis} of {entry.name}: {at} ± {entry.cg_sigma_mm} mm"
            _add(found, name, float(slope) * entry.cg_sigma_mm)
    return found


def _add(found: dict[str, float], name: str, sigma: float) -> None:
    """Two lines of one name are two errors: the later one gets a number."""
    if sigma == 0.0:
        return
    free, count = name, 1
    while free in found:
        count += 1
        free = f"{name} ({count})"
    found[free] = sigma


# --- heights and angles --------------------------------------------------------------------


def _underside_cell(column: Column, figure: str, owned: Owned) -> Cell:
    if owned.value is None:
        return Cell(None)
    scene = column.scene
    known = owned.owner == SCAN or any(part.name == owned.owner for part in scene.parts)
    if owned.owner is not None and not known and scene.scan is not None and owned.owner in scene.scan.removed:
        sigma = underside_sigma(figure, replace(owned, owner=SCAN), scene, column.book)
    else:
        sigma = underside_sigma(figure, owned, scene, column.book)
    speaks = owned.owner is None or scan_speaks(scene, figure, stance(column.book))
    note = "" if speaks else "the scan shows nothing there: of the parts alone"
    return Cell(owned.value, _itself(column, figure, sigma), owned.owner, note)


def _axle_cell(column: Column, axle: str, owned: Owned) -> Cell:
    """Under an axle: it moves with its tyres alone; its own solids err like a fabricated part."""
    if owned.value is None:
        return Cell(None)
    book = column.book
    k = ("front", "rear").index(axle)
    by_load = math.sqrt(float(drop_covariance(_on_tyres(book))[k, k]))
    sigma = math.hypot(by_load, point_sigma_mm(owned.owner or "", column.scene, np.array(owned.point_mm or (0, 0, 0))))
    return Cell(owned.value, _itself(column, f"under {axle} axle", sigma), owned.owner)


def _on_tyres(book: Ledger) -> Ledger:
    """The same loads past the springs: what the tyres alone give."""
    return replace(book, changes=tuple(replace(entry, sprung=False) for entry in book.changes))


def _itself(column: Column, figure: str, sigma: float) -> dict[str, float]:
    return {f"{figure.replace('_', ' ')} of {column.name}": sigma} if sigma else {}
