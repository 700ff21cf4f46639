"""The ``scan`` entry → what is asked of the scan."""

from __future__ import annotations

from fitcheck.layout.build_regions import region_of
from fitcheck.layout.load import Layout
from fitcheck.layout.vehicle_entries import Move, Removal, Scan
from fitcheck.scan import spec
from fitcheck.vehicle.scene import Region, Vector


def scan_spec(layout: Layout) -> spec.ScanSpec | None:
    """None where the layout names no scan. Targets that are not taped in all three axes join the mistakes."""
    scan = layout.entries.scan
    if scan is None:
        return None
    align = {} if scan.align is None else {"tape_mm": scan.align.tape, "within_mm": scan.align.within}
    return spec.ScanSpec(
        file=layout.beside("scan", "file"),
        unit=scan.units,
        targets=_targets(layout, scan),
        frame=scan.frame,
        scale_bars=_scale_bars(layout, scan),
        removals=tuple(_removal(layout, name, entry) for name, entry in scan.remove.items()),
        shifts=tuple(_shift(layout, name, entry) for name, entry in scan.move.items()),
        origin=layout.origin("scan"),
        **align,
    )


def _targets(layout: Layout, scan: Scan) -> tuple[spec.Target, ...]:
    found = []
    for name, target in scan.align.targets.items() if scan.align is not None else ():
        x, y, z = target.vehicle
        if x is None or y is None or z is None:
            typed = layout.typed.get("scan", "align", "targets", name, "vehicle") or layout.typed
            layout.stack.mistake(
                typed.place,
                f"target '{name}' is taped in {3 - target.vehicle.count(None)} of 3 axes: not yet, all 3 are needed",
                "tape the others, or take the target out",
            )
        else:
            found.append(spec.Target(name, target.scan, (x, y, z), layout.origin("scan", "align", "targets", name)))
    return tuple(found)


def _scale_bars(layout: Layout, scan: Scan) -> tuple[spec.ScaleBar, ...]:
    bars = layout.typed.get("scan", "scale_bars")
    origins = [bar.origin for bar in bars.members()] if bars is not None else []
    return tuple(
        spec.ScaleBar(bar.between, bar.length, origin) for bar, origin in zip(scan.scale_bars, origins, strict=True)
    )


def _cut(entry: Removal | Move) -> tuple[Region | None, Vector | None]:
    """Which scanned metal is meant: that in a region, or the piece nearest to a point."""
    return region_of(entry), None if entry.piece is None else entry.piece.at


def _removal(layout: Layout, name: str, entry: Removal) -> spec.Removal:
    region, piece_at = _cut(entry)
    return spec.Removal(name, region, piece_at, layout.origin("scan", "remove", name))


def _shift(layout: Layout, name: str, entry: Move) -> spec.Shift:
    region, piece_at = _cut(entry)
    return spec.Shift(name, entry.by, region, piece_at, layout.origin("scan", "move", name))
