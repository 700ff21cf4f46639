"""The ``scan`` entry → what is asked of the scan."""

from __future__ import annotations

from fitcheck.errors import InternalError
from fitcheck.layout.build_align import build_datums
from fitcheck.layout.build_regions import needed_region, region_of
from fitcheck.layout.load import Layout
from fitcheck.layout.schema import MeasuredEntry
from fitcheck.layout.vehicle_entries import Move, Removal, Scan
from fitcheck.scan import spec
from fitcheck.vehicle.scene import Measured, Region, Vector


def scan_spec(layout: Layout) -> spec.ScanSpec | None:
    """None where the layout names no scan."""
    scan = layout.entries.scan
    if scan is None:
        return None
    align = {} if scan.align is None else {"tape_mm": scan.align.tape, "within_mm": scan.align.within}
    datums = build_datums(layout, scan.align)
    return spec.ScanSpec(
        file=layout.beside("scan", "file"),
        unit=scan.units,
        targets=datums.targets,
        pairs=datums.pairs,
        floor=datums.floor,
        rearward=datums.rearward,
        frame=scan.frame,
        scale_bars=_scale_bars(layout, scan),
        removals=tuple(_removal(layout, name, entry) for name, entry in scan.remove.items()),
        shifts=tuple(_shift(layout, name, entry) for name, entry in scan.move.items()),
        seen_from=tuple(dict.fromkeys(scan.seen_from)),
        mirror=_mirror(layout, scan),
        origin=layout.origin("scan"),
        **align,
    )


def _mirror(layout: Layout, scan: Scan) -> spec.Mirror | None:
    if scan.mirror is None:
        return None
    return spec.Mirror(scan.mirror.scanned, scan.mirror.asymmetry, scan.mirror.in_file, layout.origin("scan", "mirror"))


def build_measured(layout: Layout) -> tuple[Measured, ...]:
    """What was looked at or taped since the scan; it needs a scan to speak about."""
    entries = layout.entries.measured
    if entries and layout.entries.scan is None:
        place = (layout.typed.get("measured") or layout.typed).place
        layout.stack.mistake(
            place, "'measured' speaks of a scan, and there is none", "give a 'scan', or make it a part"
        )
    return tuple(_measured(layout, name, entry) for name, entry in entries.items())


def _measured(layout: Layout, name: str, entry: MeasuredEntry) -> Measured:
    what, place = ("empty", entry.empty) if entry.empty is not None else ("metal", entry.metal)
    if place is None:
        raise InternalError("a measured place without a shape got past the schema")
    return Measured(name, what, needed_region(place), entry.tape, entry.note or "", layout.origin("measured", name))


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
