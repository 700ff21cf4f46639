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
from fitcheck.checks.guard import Terms, box_corners, moving_terms, own_terms, part_terms, scan_terms
from fitcheck.checks.pairs import StillPair
from fitcheck.checks.rules import Party, choose_rule
from fitcheck.checks.stretches import laden_of
from fitcheck.checks.swept import MovingPair
from fitcheck.checks.twisted import beside, under_way
from fitcheck.geometry.distance import Shape
from fitcheck.result import CoverageRow
from fitcheck.vehicle.moving import MovingBody
from fitcheck.vehicle.scene import SCAN, Contact, Part, Scene

GROUND = "ground"


@dataclass(frozen=True)
class Pairing:
    """What is to be checked, and the coverage row of every pair."""

    still: tuple[StillPair, ...]
    moving: tuple[tuple[MovingBody, MovingPair], ...]
    rows: tuple[CoverageRow, ...]


def pair_up(scene: Scene, only: tuple[str, ...] = ()) -> Pairing:
    """All pairs of a scene; with ``only``, the pairs that one of the named things is part of."""
    maker = _Maker(scene, only)
    carried = {body.name for body in scene.moving}
    parts = [part for part in scene.parts if part.solids and part.name not in carried]
    still = [pair for pair in maker.still_pairs(parts) if pair]
    moving = [pair for body in scene.moving for pair in maker.moving_pairs(body, parts)]
    moving += maker.between_bodies()
    maker.over_ground(parts)
    return Pairing(tuple(still), tuple(moving), tuple(maker.rows))


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
        self.parties |= {body.name: self.party(body) for body in scene.moving}
        self.parties[SCAN] = Party(SCAN, SCAN)
        self.laden = laden_of(scene)
        self.evidence = None if scene.scan is None else evidence_of(scene.scan, scene.uncertainties.scan, scene.parts)

    def wanted(self, one: str, other: str) -> bool:
        return not self.only or one in self.only or other in self.only

    def still_pairs(self, parts: list[Part]) -> Iterator[StillPair | None]:
        for one, other in itertools.combinations(parts, 2):
            if one.taped_sigma_mm > 0.0 and other.taped_sigma_mm == 0.0:
                one, other = other, one  # what was taped on the vehicle stays: a clearing move moves the other
            pair = self._still(one, self._thing(other))
            yield None if pair is None else under_way(pair, one, other, self.scene.twist)
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

    def moving_pairs(self, body: MovingBody, parts: list[Part]) -> Iterator[tuple[MovingBody, MovingPair]]:
        for thing in [*map(self._thing, parts), *self._scan({})]:
            between = (thing.party.name, body.name)
            if not self._to_check(*between):
                continue
            contacts = self.contacts(*between)
            if not contacts and thing.party.name in body.joined_to:
                self._joined(between)
                continue
            chosen = choose_rule(thing.party, self.party(body), self.scene.rules)
            self._row(between, contacts, chosen.words)
            terms = {**moving_terms(body, self.scene), **thing.terms}
            pair = MovingPair(between, thing.shapes, chosen, terms, contacts, thing.evidence, laden=self.laden)
            yield beside(body, thing.shapes, self.scene.twist), pair

    def between_bodies(self) -> Iterator[tuple[MovingBody, MovingPair]]:
        """Two bodies that both move: each pair once, the later one as the body, the earlier one as what it meets."""
        for one, other in itertools.combinations(self.scene.moving, 2):
            between = (one.name, other.name)
            if not self._to_check(*between):
                continue
            contacts = self.contacts(*between)
            if not contacts and (other.name in one.joined_to or one.name in other.joined_to):
                self._joined(between)
                continue
            chosen = choose_rule(self.party(one), self.party(other), self.scene.rules)
            self._row(between, contacts, chosen.words)
            terms = {**own_terms(one, self.scene), **own_terms(other, self.scene)}
            yield other, MovingPair(between, (), chosen, terms, contacts, other=one, laden=self.laden)

    def _joined(self, between: tuple[str, str]) -> None:
        self.rows.append(CoverageRow(between, "excluded", "fitcheck: joined to each other"))

    def party(self, body: MovingBody) -> Party:
        """A moving body as rules see it: its movement is in the distance."""
        return Party(body.name, body.part_class, modelled=True)

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
