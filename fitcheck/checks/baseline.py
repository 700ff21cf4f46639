"""What stood on the scales? The vehicle before anything came off, went in or got aboard.

Loads: the four scales' readings, and the measured height of the centre of gravity. Heights
and angles: of the scanned metal on the scan-day floor, with those scanned pieces that came
off since and that the ledger takes off the scales, and with what was taped on the vehicle
because the scanner missed it. New parts, and all masses without a shape, are left out. What
was weighed but gone before the scan has no shape, so the heights are not of it; and a
scanned piece that the layout moves is met where it is now. ``measured`` says all that.
"""

from __future__ import annotations

import math
from dataclasses import replace

from fitcheck.checks.ground import FIGURES, NO_GROUND, STEEPEST_DEG, ground_in, lowest_owner
from fitcheck.checks.loads import loads_of
from fitcheck.result import AsWeighed, Ground, Owned
from fitcheck.vehicle.masses import Ledger, weigh
from fitcheck.vehicle.scene import ScanLayers, Scene
from fitcheck.vehicle.stance import Stance, stance

_MOVED = "moved "  # how the notes on the scan begin to tell of a shifted piece


def check_baseline(scene: Scene) -> AsWeighed:
    """Loads and ground of the vehicle as weighed; None each where an axle or the scales' readings are missing."""
    book = weighed_ledger(scene)
    if book is None:
        return AsWeighed(None, None)
    if scene.scan is None:
        return AsWeighed(loads_of(book), None)
    return AsWeighed(loads_of(book), _ground(weighed_scene(scene), stance(book)), _measured(scene, scene.scan))


def weighed_ledger(scene: Scene) -> Ledger | None:
    """The ledger without a change; None where an axle or the scales' readings are missing.

    Raises InputError where the weighing does not hold.
    """
    front, rear = scene.axles.get("front"), scene.axles.get("rear")
    if front is None or rear is None or scene.weights is None:
        return None
    return Ledger(front, rear, weigh(scene.weights, front, rear), ())


def weighed_scene(scene: Scene) -> Scene:
    """The scene with nothing in it but what was on the vehicle: scanned metal, taped parts, old shafts."""
    taped = tuple(part for part in scene.parts if part.taped_sigma_mm > 0.0 and part.mass is None)
    return replace(scene, parts=taped, shafts=tuple(shaft for shaft in scene.shafts if shaft.mass is None))


def pieces_back_on(scene: Scene) -> tuple[str, ...]:
    """Scanned pieces that came off and stood on the scales; what the ledger does not take off was no part of it."""
    if scene.scan is None or scene.weights is None:
        return ()
    weighed = {mass.name for mass in scene.weights.removed}
    return tuple(name for name in scene.scan.removed if name in weighed)


def has_moved_metal(scene: Scene) -> bool:
    """Whether the layout shifts some of what was scanned."""
    return scene.scan is not None and any(note.startswith(_MOVED) for note in scene.scan.notes)


def _ground(scene: Scene, stood: Stance) -> Ground:
    """The least of the metal that is still on and of each piece that came off."""
    still = ground_in(scene, stood)
    owners = {figure: _with_pieces(scene, figure, stood, still.owners[figure]) for figure in FIGURES}
    return replace(
        still,
        belly_mm=owners["belly"].value,
        belly_owner=owners["belly"].owner,
        approach_deg=owners["approach"].value,
        departure_deg=owners["departure"].value,
        breakover_deg=owners["breakover"].value,
        owners={**still.owners, **owners},
    )


def _with_pieces(scene: Scene, figure: str, stood: Stance, still: Owned) -> Owned:
    found = [still]
    for name in pieces_back_on(scene):
        alone = lowest_owner(_alone(scene, name), figure, stood)
        found.append(replace(alone, owner=name if alone.owner else None))
    known = sorted((owned for owned in found if owned.value is not None), key=lambda owned: owned.value or 0.0)
    return _ranked(known, STEEPEST_DEG.get(figure, math.inf)) if known else NO_GROUND.owners[figure]


def _alone(scene: Scene, name: str) -> Scene:
    """The scene with one removed piece as its only metal."""
    if scene.scan is None:
        return scene
    return replace(scene, parts=(), shafts=(), scan=ScanLayers(scene.scan.removed[name]))


def _ranked(known: list[Owned], steepest: float) -> Owned:
    """The first of several, with the least of the others (and of its own runner-up) as the next."""
    first = known[0]
    nexts = [(owned.value, owned.owner) for owned in known[1:] if owned.owner is not None]
    nexts += [(owned.runner_up_value, owned.runner_up) for owned in known[:1] if owned.runner_up is not None]
    ranked = sorted(((value, name) for value, name in nexts if value is not None and name is not None))
    if not ranked or first.owner is None:
        return replace(first, runner_up=None, runner_up_value=None)
    return replace(first, runner_up=ranked[0][1], runner_up_value=min(ranked[0][0], steepest))


def _measured(scene: Scene, scan: ScanLayers) -> str:
    """What the heights and angles are of."""
    back = pieces_back_on(scene)
    gone = [mass.name for mass in scene.weights.removed if mass.name not in scan.removed] if scene.weights else []
    moved = [note.split(":")[0].removeprefix(_MOVED) for note in scan.notes if note.startswith(_MOVED)]
    gone = [name for name in gone if name not in moved]
    said = "heights and angles of what was scanned"
    said += f", with {', '.join(back)}" if back else ""
    said += f"; not of {', '.join(gone)}: weighed, and gone before the scan" if gone else ""
    return said + (f"; {', '.join(moved)} as this layout moves it" if moved else "")
