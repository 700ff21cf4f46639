"""Every pair of a scene, and what is done with it: no pair is unchecked by accident.

Each pair is checked by a rule, declared to touch at a place (and checked elsewhere), or
excluded by someone for a reason. The list is made from the scene's things alone, before
anything is computed, so a pair cannot drop out because a computation did.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

from fitcheck.checks.evidence import Evidence, evidence_of
from fitcheck.checks.guard import Terms, box_corners, moving_terms, part_terms, scan_terms
from fitcheck.checks.pairs import StillPair
from fitcheck.checks.rules import Party, choose_rule
from fitcheck.checks.swept import MovingPair
from fitcheck.geometry.distance import Shape
from fitcheck.result import CoverageRow
from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.scene import SCAN, Contact, Part, Scene

GROUND = "ground"


@dataclass(frozen=True)
class Pairing:
    """What is to be checked, and the coverage row of every pair."""

    still: tuple[StillPair, ...]
    moving: tuple[tuple[MovingBody, tuple[MovingPair, ...]], ...]
    rows: tuple[CoverageRow, ...]


def pair_up(scene: Scene, only: tuple[str, ...] = ()) -> Pairing:
    """All pairs of a scene; with ``only``, the pairs that one of the named things is part of."""
    maker = _Maker(scene, only)
    parts = [part for part in scene.parts if part.solids]
    still = [pair for pair in maker.still_pairs(parts) if pair]
    moving = [(body, tuple(maker.moving_pairs(body, parts))) for body in scene.moving]
    maker.between_bodies()
    maker.over_ground(parts)
    return Pairing(tuple(still), tuple((body, pairs) for body, pairs in moving if pairs), tuple(maker.rows))


@dataclass(frozen=True, eq=False)
class _Thing:
    """Something still: its name and class, its shapes, and what its place is uncertain by."""

    party: Party
    shapes: tuple[Shape, ...]
    terms: Terms
    evidence: Evidence | None = None


class _Maker:
    """Collects coverage rows while pairs are made."""

    def __init__(self, scene: Scene, only: tuple[str, ...]) -> None:
        self.scene = scene
        self.only = set(only)
        self.rows: list[CoverageRow] = []
        self.parties = {part.name: Party(part.name, part.part_class) for part in scene.parts}
        self.parties |= {body.name: Party(body.name, body.part_class) for body in scene.moving}
        self.parties[SCAN] = Party(SCAN, SCAN)
        self.evidence = None if scene.scan is None else evidence_of(scene.scan, scene.uncertainties.scan, scene.parts)

    def wanted(self, one: str, other: str) -> bool:
        return not self.only or one in self.only or other in self.only

    def still_pairs(self, parts: list[Part]) -> Iterator[StillPair | None]:
        for one, other in itertools.combinations(parts, 2):
            if one.taped_sigma_mm > 0.0 and other.taped_sigma_mm == 0.0:
                one, other = other, one  # what was taped on the vehicle stays: a clearing move moves the other
            yield self._still(one, self._thing(other))
        for part in parts:
            for scan in self._scan(scan_terms(self.scene, box_corners(part.solids))):
                yield self._still(part, scan)

    def _thing(self, part: Part) -> _Thing:
        terms = part_terms(part, self.scene.uncertainties)
        return _Thing(Party(part.name, part.part_class), part.solids, terms)

    def _scan(self, terms: Terms) -> list[_Thing]:
        """The scan as a thing; none without a scan."""
        if self.scene.scan is None:
            return []
        return [_Thing(Party(SCAN, SCAN), (self.scene.scan.metal,), terms, self.evidence)]

    def _still(self, part: Part, thing: _Thing) -> StillPair | None:
        other = thing.party
        if not self._to_check(part.name, other.name):
            return None
        between = (part.name, other.name)
        contacts = self.contacts(*between)
        chosen = choose_rule(Party(part.name, part.part_class), other, self.scene.rules)
        self._row(between, contacts, chosen.words)
        terms = {**thing.terms, **part_terms(part, self.scene.uncertainties)}
        return StillPair(between, part.solids, thing.shapes, chosen, terms, contacts, thing.evidence)

    def moving_pairs(self, body: MovingBody, parts: list[Part]) -> Iterator[MovingPair]:
        for thing in [*map(self._thing, parts), *self._scan({})]:
            between = (thing.party.name, body.name)
            if not self._to_check(*between):
                continue
            contacts = self.contacts(*between)
            chosen = choose_rule(thing.party, Party(body.name, body.part_class), self.scene.rules)
            self._row(between, contacts, chosen.words)
            terms = {**moving_terms(body, self.scene), **thing.terms}
            yield MovingPair(between, thing.shapes, chosen, terms, contacts, thing.evidence)

    def between_bodies(self) -> None:
        for one, other in itertools.combinations(self.scene.moving, 2):
            if not self._to_check(one.name, other.name):
                continue
            joined = other.name in one.joined_to or one.name in other.joined_to
            why = "joined to each other" if joined else "both move: fitcheck does not judge two moving bodies yet"
            self.rows.append(CoverageRow((one.name, other.name), "excluded", f"fitcheck: {why}"))

    def over_ground(self, parts: list[Part]) -> None:
        names = (
            [part.name for part in parts] + [SCAN] * bool(self.scene.scan) + [body.name for body in self.scene.moving]
        )
        known = len(self.scene.axles) == 2
        for name in names:
            if not self.wanted(name, GROUND):
                continue
            if known:
                self.rows.append(CoverageRow((name, GROUND), "checked", "heights and angles over the ground"))
            else:
                self.rows.append(
                    CoverageRow((name, GROUND), "excluded", "fitcheck: no axles, so where the ground is is not known")
                )

    def _to_check(self, one: str, other: str) -> bool:
        """Whether a pair is to be judged; an exclusion leaves its row."""
        if not self.wanted(one, other):
            return False
        for exclusion in self.scene.exclusions:
            if self.fits(exclusion.between, one, other):
                self.rows.append(CoverageRow((one, other), "excluded", f"{exclusion.origin}: {exclusion.why}"))
                return False
        return True

    def contacts(self, one: str, other: str) -> tuple[Contact, ...]:
        return tuple(contact for contact in self.scene.contacts if self.fits(contact.between, one, other))

    def fits(self, between: tuple[str, str], one: str, other: str) -> bool:
        """Whether two words (names, classes or "any") mean this pair, in either order."""
        here, there = self.parties[one], self.parties[other]
        return any(
            first.rank(between[0]) is not None and second.rank(between[1]) is not None
            for first, second in ((here, there), (there, here))
        )

    def _row(self, between: tuple[str, str], contacts: tuple[Contact, ...], words: str) -> None:
        if contacts:
            words = f"{contacts[0].origin}: {contacts[0].why}; elsewhere by {words}"
        self.rows.append(CoverageRow(between, "declared_contact" if contacts else "checked", words))
