"""A first look at a scan as text: what it is, what is odd about it and where, what to paste; what to look at last.

Numbers of holes, doubled skins and specks are those in the pictures.
"""

from __future__ import annotations

from typing import TextIO

from fitcheck.intake import Box, Hole, Intake, Mesh, Pieces, Skins, Symmetry, Vector
from fitcheck.report.columns import Column, lay_out, wrap
from fitcheck.report.wording import clean, number, point_words

WIDTH = 100
HOLES_SHOWN = 15
SPECKS_SHOWN = 20
SKINS_SHOWN = 10
WITHIN_SHOWN = 10
_CLEAR = 1.0  # a figure of 1 mm or more is worth a look


def print_intake(found: Intake, stream: TextIO, *, width: int | None = None) -> None:
    """Write the text to ``stream``, in the terminal's own width (40 to 100 cells), 100 when it is no terminal."""
    from rich.console import Console
    from rich.text import Text

    console = Console(file=stream, highlight=False, markup=False, emoji=False, soft_wrap=True)
    if width is None:
        width = max(40, min(WIDTH, console.width)) if console.is_terminal else WIDTH
    text = Text()
    for line in intake_lines(found, width=width):
        text.append(line + "\n", style="bold" if line.split(" (")[0].split(",")[0].isupper() else "")
    console.print(text, end="")


def intake_lines(found: Intake, *, width: int = WIDTH) -> list[str]:
    """The report as lines of at most ``width`` cells (but what is to be pasted); the last says what to look at."""
    sections = [
        _title(found, width),
        _unit(found, width),
        _size(found, width),
        _noise(found, width),
        _holes(found.holes, width),
        _skins(found.skins, width),
        _specks(found.pieces, width),
        _within(found.pieces, width),
        _mesh(found, width),
        _floor(found, width),
        _symmetry(found, width),
        _drift(found, width),
        _notes(found, width),
        _paste(found),
        _last(found, width),
    ]
    lines: list[str] = []
    for section in sections:
        lines += ["", *section] if lines and section else section
    return lines


def _title(found: Intake, width: int) -> list[str]:
    counts = f"{_thousands(found.points)} points" if found.cloud else (
        f"{_thousands(found.triangles)} triangles, {_thousands(found.points)} points"
    )  # fmt: skip
    what = f"{clean(found.file)}: {counts}" + (", a cloud without faces" if found.cloud else "")
    where = (
        f"places are in the frame of the {clean(found.frame)}"
        if found.layout
        else f"places are in {clean(found.frame)}"
    )
    return [*wrap(what, width, ""), *wrap(f"{clean(found.layout) + ': ' if found.layout else ''}{where}", width, "")]


def _unit(found: Intake, width: int) -> list[str]:
    unit = found.unit
    lines = ["UNIT"]
    taken = f"{unit.used}{'' if unit.declared else ', a guess'}: " if unit.used else "not known: "
    lines += wrap(taken + clean(unit.reason), width)
    if unit.confirmed_by:
        lines += wrap(f"confirmed by {clean(unit.confirmed_by)}", width)
    return lines + (wrap(f"To confirm: {clean(unit.ask)}", width) if unit.ask else [])


def _size(found: Intake, width: int) -> list[str]:
    size, spacing = found.size, found.spacing
    if size is None or spacing is None:
        return []
    along = " × ".join(number(side, 0) for side in size.own_sides_mm)
    without = "" if found.cloud else " (specks left out)"
    lines = ["SIZE, mm", *wrap(f"{along} along its own length, width and height{without}", width)]
    lines += wrap(f"box: {_box_words(size.box_mm)}", width)
    what = "from point to nearest point" if found.cloud else "edges of triangles"
    span = f"5 % under {number(spacing.low_mm)}, 5 % over {number(spacing.high_mm)}"
    return lines + wrap(f"spacing: {number(spacing.median_mm)} ({what}; {span})", width)


def _noise(found: Intake, width: int) -> list[str]:
    noise = found.noise
    if noise is None:
        return []
    words = (
        f"one sigma {number(noise.sigma_mm, 2)} mm off smooth patches {number(noise.patch_mm, 0)} mm wide, their own "
        f"curvature taken out ({noise.patches} smooth ones of {noise.looked_at})"
    )
    if noise.sigma_mm == 0.0:
        words = f"none: {noise.patches} of {noise.looked_at} patches are exactly smooth, so this was drawn, not scanned"
    return ["NOISE", *wrap(words, width)]


def _holes(holes: tuple[Hole, ...], width: int) -> list[str]:
    if not holes:
        return []
    inner, outer = [hole for hole in holes if not hole.outer], [hole for hole in holes if hole.outer]
    columns = [
        Column("no."),
        Column("across"),
        Column("edge"),
        Column("where", left=True, gives_way=True),
        Column("", left=True),
    ]
    shown = inner[:HOLES_SHOWN]
    lines = wrap("HOLES IN THE SURFACE, mm (what lies behind one was not seen)", width, "", "  ")
    lines += lay_out(columns, [_hole_row(hole) for hole in shown], width) or ["  none"]
    if len(inner) > len(shown):
        lines += wrap(f"and {len(inner) - len(shown)} smaller ones (--json lists them)", width)
    if outer:
        longest = ", ".join(
            f"no. {hole.number} ({number(hole.across_mm, 0)} × {number(hole.narrow_mm, 0)})" for hole in outer[:4]
        )
        more = f" and {len(outer) - 4} more" if len(outer) > 4 else ""
        lines += wrap(f"not holes but where a sheet ends: {longest}{more}", width)
    return lines


def _hole_row(hole: Hole) -> tuple[str, ...]:
    across = f"{number(hole.across_mm, 0)} × {number(hole.narrow_mm, 0)}"
    tangled = "" if hole.closed else "tangled: its ends do not meet"
    return str(hole.number), across, number(hole.edge_mm, 0), point_words(hole.place_mm), tangled


def _skins(skins: Skins | None, width: int) -> list[str]:
    if skins is None:
        return []
    lines = wrap(
        f"DOUBLED SKINS (within {skins.within_mm:g} mm, facing the same way: the scanner drifted between two passes)",
        width,
        "",
        "  ",
    )
    columns = [Column("no."), Column("apart, mm"), Column("area, cm²"), Column("where", left=True, gives_way=True)]
    rows = [
        (f"D{one.number}", number(one.separation_mm), number(one.area_cm2, 0), _box_words(one.box_mm))
        for one in skins.doubled[:SKINS_SHOWN]
    ]
    lines += lay_out(columns, rows, width) or [*wrap(f"none larger than about {number(skins.least_cm2, 0)} cm²", width)]
    if len(skins.doubled) > SKINS_SHOWN:
        lines += wrap(f"and {len(skins.doubled) - SKINS_SHOWN} smaller ones (--json lists them)", width)
    if skins.both_sides is not None:
        both = skins.both_sides
        lines += wrap(
            f"not counted: about {number(both.area_cm2, 0)} cm² back to back, {number(both.thickness_mm)} mm apart in "
            "the middle, as sheet metal is that was seen from both sides",
            width,
        )
    return lines


def _specks(pieces: Pieces | None, width: int) -> list[str]:
    if pieces is None:
        return []
    title = f"SPECKS (pieces of at most {pieces.few_faces} faces with no larger one within {pieces.alone_mm:g} mm)"
    lines = wrap(title, width, "", "  ")
    columns = [Column("no."), Column("size, mm"), Column("faces"), Column("where", left=True, gives_way=True)]
    rows = [
        (
            f"S{one.number}",
            " × ".join(number(side, 0) for side in one.sides_mm),
            str(one.faces),
            point_words(one.place_mm),
        )
        for one in pieces.specks[:SPECKS_SHOWN]
    ]
    lines += lay_out(columns, rows, width) or ["  none"]
    if len(pieces.specks) > SPECKS_SHOWN:
        lines += wrap(f"and {len(pieces.specks) - SPECKS_SHOWN} more (--json lists them)", width)
    if pieces.specks:
        lines += wrap("Look at each before you take it off: a clip or a hose end in mid-air is a speck too.", width)
    if pieces.small_near_metal:
        lines += wrap(
            f"{pieces.small_near_metal} other small pieces lie close to larger ones and are taken for metal", width
        )
    return lines


def _within(pieces: Pieces | None, width: int) -> list[str]:
    if pieces is None or not pieces.within:
        return []
    lines = wrap("INSIDE OTHER PIECES (share: 1 is closed all around)", width, "", "  ")
    columns = [
        Column("no."),
        Column("size, mm"),
        Column("faces"),
        Column("share"),
        Column("where", left=True, gives_way=True),
    ]
    rows = [
        (f"I{one.number}", " × ".join(number(side, 0) for side in one.sides_mm), str(one.faces), number(one.share, 2),
         point_words(one.place_mm))
        for one in pieces.within[:WITHIN_SHOWN]
    ]  # fmt: skip
    for row, one in zip(lay_out(columns, rows, width), (None, *pieces.within), strict=False):
        lines += [row] if one is None else [row, *wrap(f"in the piece {_box_words(one.around_mm)}", width, "      ")]
    return lines


def _mesh(found: Intake, width: int) -> list[str]:
    mesh = found.mesh
    if mesh is None or found.pieces is None:
        return []
    flaws = [
        f"{_thousands(count)} {words}"
        for count, words in (
            (mesh.crowded_edges, "edges with more than two faces"),
            (mesh.flipped_edges, "edges where a face is turned over against its neighbour"),
            (mesh.flat_faces, "faces without an area"),
            (mesh.doubled_faces, "faces twice in the same place"),
        )
        if count
    ]
    lines = ["MESH", *wrap(f"{_several(found.pieces.count, 'piece')}, {_thousands(mesh.edges)} edges, "
                           f"{_thousands(mesh.border_edges)} of them at a border", width)]  # fmt: skip
    lines += wrap("; ".join(flaws) or "no crowded or flipped edges, no flat or doubled faces", width)
    return lines + wrap(_facing(mesh, found.triangles), width)


def _facing(mesh: Mesh, triangles: int) -> str:
    told = f"{_thousands(mesh.closed_faces)} of {_thousands(triangles)} faces are of closed pieces and tubes"
    if not mesh.closed_faces:
        return "which way the faces look cannot be told: no piece closes around anything"
    if not mesh.inward_faces:
        return f"{told}, and all of these look outward; of open sheets it cannot be told"
    inward = f"{_thousands(mesh.inward_faces)} of these look inward: turned inside out"
    return f"{told}, and {inward}; of open sheets it cannot be told"


def _floor(found: Intake, width: int) -> list[str]:
    floor = found.floor
    if floor is None:
        return ["FLOOR", *wrap(clean(found.floor_words), width)] if found.floor_words else []
    way = "" if floor.tilt_deg is None else f", tilted {number(floor.tilt_deg, 2)}° against the frame"
    words = (
        f"likely: {number(floor.area_cm2 / 1e4, 2)} m² at {number(floor.height_mm)} mm along {_way(floor.normal)}{way}"
        f"; it is flat to {number(floor.off_mm)} mm (one sigma)"
    )
    return ["FLOOR", *wrap(words, width)]


def _symmetry(found: Intake, width: int) -> list[str]:
    found_one = found.symmetry
    if found_one is None:
        return []
    share = number(100.0 * found_one.mirrored_share, 0)
    words = (
        f"mirrored over {_plane_words(found_one)}: {share} % of the smooth metal meets metal on the other side, half "
        f"of it within {number(found_one.median_mm)}, 95 % within {number(found_one.most_mm)}"
    )
    lines = ["LEFT AGAINST RIGHT, mm", *wrap(words, width)]
    worst = [f"{number(one.off_mm)} at {_place(one.place_mm)}" for one in found_one.worst[:3]]
    if worst:
        lines += wrap("worst: " + "; ".join(worst), width)
    return lines + wrap(_straight(found_one), width) if found_one.stations else lines


def _plane_words(symmetry: Symmetry) -> str:
    if symmetry.by == "the scan itself":
        plane = f"the plane {_way(symmetry.normal)} · p = {number(symmetry.offset_mm)}"
        return f"{plane}, which the scan itself suggests (a hypothesis)"
    turned = number(symmetry.own_turn_deg, 2)
    return f"y = 0 (the scan's own plane lies {number(symmetry.own_offset_mm)} beside it, turned {turned}°)"


def _straight(symmetry: Symmetry) -> str:
    first, last = symmetry.stations[0], symmetry.stations[-1]
    ends = " to ".join(f"{number(one.off_mm)} at {number(one.at_mm, 0)}" for one in (first, last))
    bow = "" if symmetry.bow_mm is None else f"; it bows {number(symmetry.bow_mm)} off a straight line"
    return f"the middle between left and right runs from {ends} along its length{bow}"


def _drift(found: Intake, width: int) -> list[str]:
    drift = found.drift
    if drift is None:
        return []
    told = "" if abs(drift.mm_per_m) > drift.expanded_mm_per_m else "; not told from none"
    words = (
        f"{drift.mm_per_m:+.2f} ± {number(drift.expanded_mm_per_m, 2)} mm a metre (scan − tape against length){told}: "
        f"{drift.lengths} taped lengths up to {number(drift.longest_mm, 0)} mm, off by {number(drift.off_mm)} mm (root "
        "mean square)"
    )
    return ["DRIFT (±: two standard uncertainties)", *wrap(words, width)]


def _notes(found: Intake, width: int) -> list[str]:
    lines = [line for note in found.notes for line in wrap(f"Note: {clean(note)}", width, "", "  ")]
    if found.not_looked_at:
        lines += wrap("Not looked at: " + ". ".join(clean(text) for text in found.not_looked_at) + ".", width, "", "  ")
    return lines


def _paste(found: Intake) -> list[str]:
    """As it is, so that it can be copied: never wrapped."""
    return ["PASTE", *(clean(line) for line in found.paste.splitlines())] if found.paste else []


def _last(found: Intake, width: int) -> list[str]:
    """What a person should look at, most urgent first."""
    return wrap("Look at: " + "; ".join(_urgent(found)) + ".", width, "", "  ")


def _urgent(found: Intake) -> list[str]:
    words = []
    if found.unit.ask:
        words.append("the unit (tape one length)" if found.unit.used else "the unit, which is not known")
    if found.mesh is not None and found.mesh.inward_faces:
        words.append("faces turned inside out")
    words += _urgent_places(found)
    drift = found.drift
    if drift is not None and abs(drift.mm_per_m) > max(drift.expanded_mm_per_m, _CLEAR):
        words.append("the drift")
    return words or ["nothing in particular"]


def _urgent_places(found: Intake) -> list[str]:
    words = []
    inner = [hole for hole in found.holes if not hole.outer]
    if inner:
        largest = f"the largest {number(inner[0].across_mm, 0)} mm across at {_place(inner[0].place_mm)}"
        words.append(f"{_several(len(inner), 'hole')}, {largest}")
    doubled = () if found.skins is None else found.skins.doubled
    if doubled:
        largest = f"the largest {number(doubled[0].separation_mm)} mm apart at {_place(doubled[0].place_mm)}"
        words.append(f"{_several(len(doubled), 'doubled skin')}, {largest}")
    if found.pieces is not None:
        words += [_several(len(found.pieces.specks), "speck")] if found.pieces.specks else []
        words += [f"{_several(len(found.pieces.within), 'piece')} inside others"] if found.pieces.within else []
    return words


def _several(count: int, what: str) -> str:
    return f"{_thousands(count)} {what}{'' if count == 1 else 's'}"


def _thousands(count: int) -> str:
    return f"{count:,}".replace(",", " ")


def _place(point: Vector) -> str:
    return "(" + ", ".join(number(value, 0) for value in point) + ")"


def _way(way: Vector) -> str:
    """ "+y", or the direction as numbers."""
    for axis, value in zip("xyz", way, strict=True):
        if abs(value) > 0.9999:
            return f"{'+' if value > 0 else '−'}{axis}"
    return "(" + ", ".join(number(value, 3) for value in way) + ")"


def _box_words(box: Box) -> str:
    return ", ".join(f"{axis} {number(low, 0)}…{number(high, 0)}" for axis, low, high in zip("xyz", *box, strict=True))
