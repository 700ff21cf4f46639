"""A layout → a scene: parts placed, mechanisms set up, the ledger filled, the scan prepared.

The order is the order of cost: everything that the text alone can get wrong is reported
before a mesh is read, and a part that cannot be placed before the scan is touched.
"""

from __future__ import annotations

import math
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import LayoutError
from fitcheck.layout.build_masses import build_axles, build_load_states, build_weights
from fitcheck.layout.build_mechanisms import build_mechanisms, build_twist
from fitcheck.layout.build_moving import bodies
from fitcheck.layout.build_parts import build_parts
from fitcheck.layout.build_regions import needed_region
from fitcheck.layout.build_scan import build_measured, scan_spec
from fitcheck.layout.load import Layout, Progress
from fitcheck.layout.riding import riding_of
from fitcheck.layout.schema import EVERYTHING
from fitcheck.layout.small_angles import small_angles
from fitcheck.result import Alignment, FloorFit, MaybeVector, Straightness, TargetFit
from fitcheck.vehicle.scene import (
    Contact,
    Exclusion,
    FrameCertainty,
    Rule,
    ScanLayers,
    Scene,
    Target,
    Uncertainties,
)

if TYPE_CHECKING:
    from fitcheck.scan.align import AlignmentReport
    from fitcheck.scan.cache import FileHash
    from fitcheck.scan.spec import ScanSpec

METRE_BETWEEN_NEIGHBOURS = 1.0
"""The drift of a scan counts over this many metres: things that a guard is about are no further apart."""

def build_scene(
    layout: Layout,
    *,
    cache_dir: Path | None = None,
    progress: Progress | None = None,
    hashing: Future[FileHash] | None = None,
) -> Scene:
    """The scene of a layout.

    ``hashing``: the scan file's hash, when somebody began to compute it early. Without a
    scan the scene has none, and a warning says so. Raises LayoutError (parts that cannot
    be placed, targets), MeshError and FileProblem (mesh files), and what
    :func:`fitcheck.scan.prepare.prepare_scan` raises.
    """
    twist, mechanisms = build_twist(layout), build_mechanisms(layout)
    riding = riding_of(layout, mechanisms, twist)
    built = build_parts(layout, riding)
    spec = scan_spec(layout)
    measured = build_measured(layout)
    mistakes = layout.stack.mistakes()
    if mistakes:
        raise LayoutError(tuple(mistakes))
    moving = bodies(layout, built, riding)
    inputs = {source.name: source.sha256 for source in layout.stack.sources} | built.inputs
    warnings = [*built.warnings, *_warnings(layout)]
    scan = None if spec is None else _prepare(spec, inputs, warnings, (cache_dir, progress, hashing))
    scan = scan and replace(scan, measured=measured)
    return Scene(
        title=layout.title,
        layout_file=layout.file,
        vehicle=layout.vehicle,
        parts=tuple(built.parts),
        scan=scan,
        mechanisms=mechanisms,
        shafts=tuple(built.shafts),
        moving=moving,
        axles=build_axles(layout),
        weights=build_weights(layout),
        load_states=build_load_states(layout),
        rules=_rules(layout),
        contacts=_contacts(layout),
        exclusions=_exclusions(layout),
        uncertainties=_uncertainties(layout),
        targets=_targets(layout),
        twist=twist,
        top_speed_km_h=layout.entries.top_speed,
        inputs=inputs,
        warnings=tuple(warnings),
    )


_HowToPrepare = tuple[Path | None, Progress | None, "Future[FileHash] | None"]


def _prepare(spec: ScanSpec, inputs: dict[str, str], warnings: list[str], how: _HowToPrepare) -> ScanLayers:
    from fitcheck.scan.prepare import prepare_scan

    cache_dir, progress, hashing = how
    prepared = prepare_scan(spec, cache_dir=cache_dir, progress=progress, hashing=hashing)
    inputs[spec.file.as_posix()] = prepared.sha256
    warnings += prepared.cache_notes
    report = prepared.alignment
    layers = prepared.layers
    return layers if report is None else replace(layers, alignment=_alignment(report, layers))


def _alignment(report: AlignmentReport, layers: ScanLayers) -> Alignment:
    fits = {}
    for name, residual in report.residuals_mm.items():
        left_out = report.leave_one_out_mm[name]
        known = not np.isnan(left_out[np.isfinite(residual)]).any()
        fits[name] = TargetFit(_numbers(residual), _numbers(left_out) if known else None, report.kinds[name])
    return Alignment(
        fits,
        float(report.rms_mm),
        None if math.isnan(report.sigma_mm) else float(report.sigma_mm),
        report.spare,
        {name: Straightness(**vars(pair)) for name, pair in report.straightness.items()},
        report.hub_warp_mm,
        None if report.floor is None else FloorFit(**vars(report.floor)),
        _place_sigmas(report.certainty, layers),
    )


def _numbers(vector: NDArray[np.float64]) -> MaybeVector:
    x, y, z = (float(value) if math.isfinite(value) else None for value in vector)
    return x, y, z


def _place_sigmas(certainty: FrameCertainty, layers: ScanLayers) -> dict[str, float]:
    """One sigma of the frame amid the marks, and at the worst corner of the scan's front and rear end."""
    found = {"middle": certainty.sigma_mm(certainty.middle_mm)}
    if layers.metal.triangle_count:
        lo, hi = np.asarray(layers.metal.boxes[:, 0].min(axis=0)), np.asarray(layers.metal.boxes[:, 1].max(axis=0))
        for name, x in (("front end", lo[0]), ("rear end", hi[0])):
            corners = [np.array([x, y, z]) for y in (lo[1], hi[1]) for z in (lo[2], hi[2])]
            found[name] = max(certainty.sigma_mm(corner) for corner in corners)
    return found


# --- rules and limits --------------------------------------------------------------------


def _rules(layout: Layout) -> tuple[Rule, ...]:
    return tuple(
        Rule(
            between=rule.between,
            must_mm=rule.must,
            want_mm=rule.must if rule.want is None else rule.want,
            why=rule.why,
            label=rule.label,
            source=rule.source,
            origin=layout.origin("rules", index),
            cause="" if rule.cause == EVERYTHING else rule.cause,
        )
        for index, rule in enumerate(layout.entries.rules)
    )


def _contacts(layout: Layout) -> tuple[Contact, ...]:
    return tuple(
        Contact(
            contact.between,
            needed_region(contact.at),
            contact.why,
            contact.deeper_than,
            layout.origin("contacts", index),
        )
        for index, contact in enumerate(layout.entries.contacts)
    )


def _exclusions(layout: Layout) -> tuple[Exclusion, ...]:
    return tuple(
        Exclusion(entry.between, entry.why, layout.origin("exclude", index))
        for index, entry in enumerate(layout.entries.exclude)
    )


def _uncertainties(layout: Layout) -> Uncertainties:
    """As typed; the scan's from its declared accuracy where it is not typed; else the defaults."""
    entry, default = layout.entries.uncertainty, Uncertainties()
    typed = {} if entry is None else {name: value for name, value in entry if value is not None}
    accuracy = None if layout.entries.scan is None else layout.entries.scan.accuracy
    if accuracy is not None:
        typed.setdefault("scan", math.hypot(accuracy.local, accuracy.per_metre * METRE_BETWEEN_NEIGHBOURS))
    return Uncertainties(**{**vars(default), **typed})


_BOTH_AXLES = {"bump_left_mm": ("bump_left_front_mm", "bump_left_rear_mm")}


def _targets(layout: Layout) -> tuple[Target, ...]:
    """One target for each figure and load state; a limit on bump travel without an axle is one for each axle."""
    if layout.entries.targets is None:
        return ()
    return tuple(
        Target(figure, state, limit, origin=layout.origin("targets", name, state))
        for name, limits in layout.entries.targets
        for state, limit in limits.items()
        for figure in _BOTH_AXLES.get(name, (name,))
    )


# --- remarks -----------------------------------------------------------------------------


def _warnings(layout: Layout) -> list[str]:
    """What can be computed, but is likely a slip or leaves an answer out."""
    entries = layout.entries
    missing = (
        (entries.scan, "scan", "no part is checked against the vehicle"),
        (entries.axles, "axles", "neither ground nor axle loads are computed"),
        (entries.weights, "weights", "axle loads and the ride under load are not computed"),
    )
    found = [f"{layout.file}: no '{key}' is given: {what}" for entry, key, what in missing if entry is None]
    found += [
        f"{layout.origin('scan', 'move', name)}: '{name}' is moved, but its mass is not given: loads and the height of "
        "the centre of gravity leave its move out"
        for name, move in (entries.scan.move if entries.scan is not None else {}).items()
        if move.mass is None and entries.weights is not None
    ]
    if (
        entries.weights is None
        and entries.scan is not None
        and any(entry.mass for entry in entries.scan.remove.values())
    ):
        found.append(f"{layout.origin('scan', 'remove')}: masses come off the scales, but no 'weights' are given")
    if entries.weights is not None and entries.weights.raised is None and entries.weights.cg_height is None:
        found.append(
            f"{layout.origin('weights')}: no 'raised' or 'cg_height': the height of the centre of gravity is unknown"
        )
    return found + small_angles(layout)
