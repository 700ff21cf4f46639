"""Whether points are in the metal that an open, noisy, one-sided surface shows, by three independent tests.

A scanned rail is a skin with nothing inside: a part in it meets no triangle and has a healthy distance. So
points are asked for their side:

- the sign at the closest place of the surface, with angle-weighted pseudo-normals (``pseudo_normals.py``);
- the winding number of the open surface (``winding.py``): above 0.8 inside, below 0.2 outside;
- the first hits of 128 rays (``first_hits.py``): mostly backs and few fronts inside, hardly a back outside.

The closest sign leads, because it alone looks at the metal that is next to the point. Inside takes one other test that
agrees and none against. Outside takes all three, because a wrong "outside" is a silent pass: where a hole faces another
member, that member is the nearest thing, and beneath a wide floor seen from below winding numbers are half a turn too
low. A point that sees any back at all must not lie where a tube would go on beyond its border (``near_borders.py``).
Everything else is undecided.

What no test can know: a skin that was seen from one side only looks the same whether there is metal behind it or the
air of a cab. "Inside" means behind a skin that closes round the point.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.geometry.first_hits import Neighbourhood, neighbourhood, tiles_near, tiles_round
from fitcheck.geometry.heat import finite
from fitcheck.geometry.inside import depths
from fitcheck.geometry.near_borders import in_a_continued_tube
from fitcheck.geometry.pseudo_normals import signs
from fitcheck.geometry.solids import Solid
from fitcheck.geometry.surface import Ints, TiledSurface, tile_surface
from fitcheck.geometry.winding import WindingTree, winding_tree

Floats = NDArray[np.float64]
Answers = NDArray[np.int8]

INSIDE_WINDING, OUTSIDE_WINDING = 0.8, 0.2
INVERTED_WINDING = -0.8
"""Below this a point is enclosed by skins that face it: they may be wound the wrong way."""
INSIDE_SHARE, OUTSIDE_SHARE = 0.6, 0.1
FRONT_A_BACK = 0.25
NOISE_SIGMAS = 3.0
BORDER_MM = 150.0
MOST_EXPECTED = 1_500_000
"""A tree over more triangles than this costs more memory than it saves time."""

REACH_MM = 300.0

_FINE_FAR = 14.0
_SAMPLES = 150
_MOST_AHEAD_MM = 10.0
_MOST_INVERTED = 0.1
_MOST_FLIPPED = 0.1


class Side(enum.IntEnum):
    """Where a point is."""

    OUT = 0
    INSIDE = 1
    UNDECIDED = 2


@dataclass(frozen=True, eq=False)
class Votes:
    """What each test says of n points: ``Side`` as int8, and the figures behind it.

    ``winding_number`` and its proven ``winding_error``; ``back_share`` of the rays; ``distance_mm`` to the surface,
    infinite when there is none. ``beyond_border``: asked only of points that would be out and see backs.
    """

    pseudo_normal: Answers
    winding: Answers
    first_hit: Answers
    winding_number: Floats
    winding_error: Floats
    back_share: Floats
    front_share: Floats
    distance_mm: Floats
    beyond_border: NDArray[np.bool_]

    def combined(self) -> Answers:
        """Inside: the sign says so, another test agrees, none says outside. Outside: all three say so."""
        others = np.stack([self.winding, self.first_hit])
        agreed = (others == Side.INSIDE).any(axis=0) & (others != Side.OUT).all(axis=0)
        inside = (self.pseudo_normal == Side.INSIDE) & agreed
        out = self.all_say_out() & ~self.beyond_border
        return np.where(inside, Side.INSIDE, np.where(out, Side.OUT, Side.UNDECIDED)).astype(np.int8)

    def all_say_out(self) -> NDArray[np.bool_]:
        """Where all three tests say outside (the rays also where nothing is near), and skins do not face the point."""
        out = (self.pseudo_normal == Side.OUT) & (self.winding == Side.OUT) & (self.back_share < OUTSIDE_SHARE)
        return np.asarray(out & (self.winding_number > INVERTED_WINDING))


@dataclass(frozen=True, eq=False)
class SideTester:
    """Asks a surface for the side of points. Nothing is computed before the first question.

    ``noise_mm`` is one sigma of the scan: nearer than three of them, all tests abstain. A ray that hits nothing
    within ``reach_mm`` counts as not-back; farther than half of that from the surface the rays abstain.
    """

    surface: TiledSurface
    noise_mm: float = 0.5
    reach_mm: float = REACH_MM
    _kept: dict[str, object] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, vertices: Floats, faces: Ints, noise_mm: float = 0.5) -> SideTester:
        """A tester of a plain mesh: vertices (n, 3) mm, faces (m, 3)."""
        return cls(tile_surface(vertices, faces), noise_mm)

    @property
    def usable(self) -> bool:
        """Whether the surface is oriented well enough to have sides at all."""
        return self.reason == ""

    @property
    def reason(self) -> str:
        """Why every point is undecided; empty where the surface can be asked."""
        if "reason" not in self._kept:
            self._kept["reason"] = _unusable(self.surface, self._winding())
        return str(self._kept["reason"])

    def sides(self, points: Floats) -> Answers:
        """The side (n,) of each of (n, 3) points. Raises InternalError for points that are not finite."""
        return self.votes(points).combined()

    def votes(self, points: Floats) -> Votes:
        """What each test says of each of (n, 3) points; of a surface that is not usable: undecided all."""
        points = finite(points)
        if len(points) == 0 or not self.usable:
            return _no_votes(len(points))
        near = self._neighbourhood(points)
        distances, rows, places = near.nearest(points)
        numbers, errors = self._winding_numbers(points)
        shares = near.first_hit_shares(points, self.reach_mm)
        votes = Votes(
            _by_sign(signs(self.surface, points, rows, places)),
            _by_bounds(numbers - errors, numbers + errors, INSIDE_WINDING, OUTSIDE_WINDING),
            np.where(distances > self.reach_mm / 2.0, Side.UNDECIDED, _by_shares(shares)).astype(np.int8),
            numbers,
            errors,
            shares[:, 0],
            shares[:, 1],
            distances,
            np.zeros(len(points), dtype=bool),
        )
        votes = _abstaining(votes, distances < NOISE_SIGMAS * self.noise_mm)
        doubtful = np.flatnonzero(votes.all_say_out() & (votes.back_share > 0.0))
        reach_mm = min(BORDER_MM, self.reach_mm)
        votes.beyond_border[doubtful] = in_a_continued_tube(self.surface, near, points[doubtful], reach_mm)
        return votes

    def expect(self, boxes: Floats, most: int = MOST_EXPECTED) -> None:
        """Make ready for points in all of these boxes (n, 2, 3): one tree then serves them all.

        Only the first call counts: points elsewhere get a tree of their own when they come. Nothing is done where that
        would be more than ``most`` triangles, or the surface cannot be asked.
        """
        if len(boxes) == 0 or "expected" in self._kept or not self.usable:
            return
        wanted = tiles_near(self.surface, boxes, self.reach_mm)
        counts = self.surface.starts[1:] - self.surface.starts[:-1]
        if self._covering(wanted) is None and wanted.any() and int(counts[wanted].sum()) <= most:
            self._kept["expected"] = neighbourhood(self.surface, wanted)

    def _winding(self) -> WindingTree:
        if "winding" not in self._kept:
            self._kept["winding"] = winding_tree(self.surface)
        tree = self._kept["winding"]
        assert isinstance(tree, WindingTree)
        return tree

    def _neighbourhood(self, points: Floats) -> Neighbourhood:
        """The tree round the points; that which was expected, and the last one, are kept for questions they cover."""
        wanted = tiles_round(self.surface, points, self.reach_mm)
        kept = self._covering(wanted)
        if kept is None:
            self._kept["near"] = kept = neighbourhood(self.surface, wanted)
        return kept

    def _covering(self, wanted: NDArray[np.bool_]) -> Neighbourhood | None:
        """A tree that is there already over all the wanted tiles (t,)."""
        for name in ("expected", "near"):
            kept = self._kept.get(name)
            if isinstance(kept, Neighbourhood) and not (wanted & ~kept.tiles).any():
                return kept
        return None

    def _winding_numbers(self, points: Floats) -> tuple[Floats, Floats]:
        """Winding numbers and proven errors, finer where a threshold is within the error."""
        numbers, errors = self._winding().at(points)
        open_ = np.zeros(len(points), dtype=bool)
        for threshold in (INSIDE_WINDING, OUTSIDE_WINDING):
            open_ |= np.abs(numbers - threshold) <= errors
        numbers[open_], errors[open_] = self._winding().at(points[open_], _FINE_FAR)
        return numbers, errors


def _no_votes(count: int) -> Votes:
    undecided, unknown = np.full(count, Side.UNDECIDED, dtype=np.int8), np.full(count, np.nan)
    three = undecided, undecided, undecided
    return Votes(*three, unknown, unknown, unknown, unknown, np.full(count, np.inf), np.zeros(count, dtype=bool))


def _abstaining(votes: Votes, rows: NDArray[np.bool_]) -> Votes:
    three = [
        np.where(rows, Side.UNDECIDED, said).astype(np.int8)
        for said in (votes.pseudo_normal, votes.winding, votes.first_hit)
    ]
    return replace(votes, pseudo_normal=three[0], winding=three[1], first_hit=three[2])


def _by_sign(sign: Answers) -> Answers:
    return np.choose(sign.astype(np.int64) + 1, [Side.INSIDE, Side.UNDECIDED, Side.OUT]).astype(np.int8)


def _by_shares(shares: Floats) -> Answers:
    back, front = shares.T
    inside = (back > INSIDE_SHARE) & (front < FRONT_A_BACK * back)
    return np.where(inside, Side.INSIDE, np.where(back < OUTSIDE_SHARE, Side.OUT, Side.UNDECIDED)).astype(np.int8)


def _by_bounds(least: Floats, most: Floats, inside: float, outside: float) -> Answers:
    return np.where(least > inside, Side.INSIDE, np.where(most < outside, Side.OUT, Side.UNDECIDED)).astype(np.int8)


# -- can the surface be asked at all --


def _unusable(surface: TiledSurface, winding: WindingTree) -> str:
    """Why a surface has no sides; empty when it has.

    A sheet seen from one side has half a turn in front of it (−0.5), a closed skin none, one that is wound the wrong
    way all of it (−1). So triangles with less than −0.7 in front of them are counted, and edges that both neighbours
    run the same way.
    """
    if surface.triangle_count == 0:
        return "there are no triangles"
    rows = np.random.default_rng(0).integers(0, surface.triangle_count, 2 * _SAMPLES)
    corners = surface.triangles(np.unique(rows))
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normals, axis=1)
    real = np.flatnonzero(size > 0.0)[:_SAMPLES]
    if 2 * int((size > 0.0).sum()) < len(corners):
        return "most triangles have no area, so that nothing has sides"
    normals = normals[real] / size[real, None]
    return _inverted(winding, corners[real], normals) or _flipped(surface)


def _inverted(winding: WindingTree, corners: Floats, normals: Floats) -> str:
    """What is wrong where too many of some triangles (k, 3, 3) look inward; empty when they do not."""
    edges = np.linalg.norm(corners - corners[:, (1, 2, 0)], axis=2).mean(axis=1)
    middles = corners.mean(axis=1)
    ahead = np.minimum(1.5 * edges, _MOST_AHEAD_MM)
    inward = winding.at(middles + ahead[:, None] * normals, 3.0)[0] < -0.7
    if inward.mean() <= _MOST_INVERTED:
        return ""
    x, y, z = middles[inward][0].round()
    place = f"({x:.0f}, {y:.0f}, {z:.0f})"
    return f"{inward.mean():.0%} of the triangles seem to look into the metal, one of them at {place}"


def _flipped(surface: TiledSurface) -> str:
    share = _flipped_share(surface)
    return f"neighbours wind against each other at {share:.0%} of the edges" if share > _MOST_FLIPPED else ""


def _flipped_share(surface: TiledSurface) -> float:
    """The share of the edges between two triangles that both run the same way, over some tiles."""
    tiles = np.unique(np.linspace(0, surface.tile_count - 1, 64).astype(np.intp))
    corners = np.rint(surface.triangles(surface.face_rows(tiles)) / 1e-3).astype(np.int64)
    factors = np.array([73856093, 19349663, 83492791], dtype=np.int64)
    keys = (corners * factors).sum(axis=2)
    start, end = keys.ravel(), keys[:, (1, 2, 0)].ravel()
    sense = np.where(start < end, 1, -1)
    pairs = np.stack([np.minimum(start, end), np.maximum(start, end)], axis=1)[start != end]
    _, which, counts = np.unique(pairs, axis=0, return_inverse=True, return_counts=True)
    sums = np.bincount(which.reshape(-1), sense[start != end])
    shared = counts == 2
    return float((sums[shared] != 0).mean()) if shared.any() else 0.0


# -- points of a part --


def points_within(solid: Solid, spacing_mm: float, most: int = 400) -> Floats:
    """Points (k, 3) strictly inside a closed solid: its middle, its corners drawn in a little, and a lattice.

    The lattice runs along the solid's own axes, as fine as ``spacing_mm`` or as coarse as ``most`` points (and
    somewhat more) demand. Of an open mesh: some of its vertices and their mean. No vertices: no points.
    """
    if len(solid.vertices) == 0:
        return np.empty((0, 3))
    corners = solid.vertices[np.unique(solid.faces)]
    corners = corners[:: max(1, -(-2 * len(corners) // most))]
    middle = solid.vertices.mean(axis=0, keepdims=True)
    if not solid.closed:
        return np.concatenate([middle, corners])
    asked = np.concatenate([middle, _drawn_in(corners, solid), _lattice(solid, spacing_mm, most // 2)])
    return np.asarray(asked[depths(asked, solid) > 0.0])


def _drawn_in(corners: Floats, solid: Solid) -> Floats:
    """The corners moved towards the middle by a fiftieth of the way; of a ball or rod: its core, and outwards."""
    if solid.radius_mm > 0.0:
        ways = 0.98 * solid.radius_mm * np.concatenate([solid.frame, -solid.frame])
        return np.concatenate([corners, (corners[:, None] + ways).reshape(-1, 3)])
    return np.asarray(corners + 0.02 * (solid.vertices.mean(axis=0) - corners))


def _lattice(solid: Solid, spacing_mm: float, most: int) -> Floats:
    """A lattice over the solid's box along its own axes, with its middle on the box's middle."""
    own = solid.vertices @ solid.frame.T
    low, high = own.min(axis=0) - solid.radius_mm, own.max(axis=0) + solid.radius_mm
    spacing = max(spacing_mm, float(np.prod(high - low) / most) ** (1.0 / 3.0))
    counts = np.maximum(1, np.ceil((high - low) / spacing)).astype(int)
    lines = [low[k] + (high[k] - low[k]) * (np.arange(counts[k]) + 0.5) / counts[k] for k in range(3)]
    grid = np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.asarray(grid @ solid.frame)
