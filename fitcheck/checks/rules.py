"""Which rule judges a pair: the most specific one, and of equals the stricter.

A rule names two things: a part (or moving body), a class, ``scan`` or ``any``. A name is more
specific than a class, a class than ``any``; a rule of the layout beats a default that is
equally specific. Two rules of the same rank that both fit: the stricter one judges, and the
answer says so.

The defaults below are starting values, every one of them a habit or a judgement and none a
code requirement; a layout replaces any of them by naming the same pair.
"""

from __future__ import annotations

from dataclasses import dataclass

from fitcheck.vehicle.scene import PART_CLASSES, SCAN, Rule

ANY = "any"

_J, _P = "judgement", "practice"
_BODY_BUILDERS = "a truck maker's manual for body builders"

DEFAULT_RULES: tuple[Rule, ...] = (
    Rule((ANY, ANY), 2.0, 5.0, "paint, rust and weld pull between bolted parts", _J),
    Rule((ANY, SCAN), 2.0, 5.0, "paint, rust and weld pull between a bolted part and its frame", _J),
    Rule((ANY, "body"), 10.0, 15.0, "a body on rubber mounts moves", _J),
    Rule((ANY, "drive_unit"), 12.0, 20.0, "a drive unit rocks on its mounts, and its rocking is not modelled", _P),
    Rule((ANY, "shaft"), 15.0, 25.0, "a spinning shaft; its whip is in its radius", _P),
    Rule(("hv_cable", "shaft"), 50.0, 75.0, "a cable must not reach a spinning part", _P),
    Rule(("lv", "shaft"), 50.0, 75.0, "a wire must not reach a spinning part", _P),
    Rule(("coolant", "shaft"), 50.0, 75.0, "a hose must not reach a spinning part", _P),
    Rule((ANY, "axle"), 10.0, 20.0, "an axle moves, also where bushes give", _J),
    Rule((SCAN, "axle"), 0.0, 5.0, "an axle and the frame that it came with: its stops set this gap", _J),
    Rule((ANY, "tyre"), 15.0, 30.0, "a tyre bulges, grows and throws stones", _J),
    Rule((ANY, "steering"), 12.0, 25.0, "nothing may ever jam the steering", _P),
    Rule((ANY, "brake_line"), 10.0, 25.0, "a brake pipe beside a fixed part", _P, "repair manuals of two makes"),
    Rule(("shaft", "brake_line"), 15.0, 25.0, "a brake pipe beside a moving thing", _P),
    Rule(("axle", "brake_line"), 15.0, 25.0, "a brake pipe beside a moving thing", _P),
    Rule((SCAN, "brake_line"), 0.0, 5.0, "a brake pipe clipped to its frame", _J),
    Rule(("lv", "lv"), 5.0, 10.0, "a wire beside a fixed wire", _P),
    Rule(
        ("hv_cable", "exhaust"), 75.0, 200.0, "a bare exhaust beside a cable", _P, "a truck maker's body-builder table"
    ),
    Rule(("lv", "exhaust"), 75.0, 200.0, "a bare exhaust beside a wire", _P, "a truck maker's body-builder table"),
    Rule(("coolant", "exhaust"), 75.0, 200.0, "a bare exhaust beside a hose", _P, "a truck maker's body-builder table"),
    Rule(("hv_box", "exhaust"), 150.0, 250.0, "cells dislike more than 45 °C", _J),
    Rule(("hv_box", "outer_skin"), 0.0, 150.0, "crush room; check the local code", _J),
    Rule((ANY, "keep_out"), 0.0, 5.0, "a volume that must stay free", _J),
)


MODELLED: tuple[Rule, ...] = (
    Rule(
        (ANY, "drive_unit"), 5.0, 15.0, "a drive unit reverses its torque at once; its rocking is in the distance", _J
    ),
)
"""What stands for a default where the movement is modelled: it is in the distance, so the rule does not carry it."""


@dataclass(frozen=True)
class ChosenRule:
    """The rule that judges a pair, and how it came to be chosen."""

    rule: Rule
    tied: bool = False

    @property
    def words(self) -> str:
        """E.g. "hv_box – shaft (a.yaml:31)"; says when a stricter equal was preferred."""
        text = f"{self.rule.between[0]} – {self.rule.between[1]} ({self.rule.origin})"
        return f"{text}, the stricter of two that fit" if self.tied else text


@dataclass(frozen=True)
class Party:
    """One side of a pair as rules see it: its name and its class ("scan" for the scan)."""

    name: str
    party_class: str
    modelled: bool = False  # a mechanism moves it

    def rank(self, token: str) -> int | None:
        """How specifically a rule's token fits: 3 by name, 1 by class, 0 "any", None not at all.

        A word that is a class means the class, also for a part that bears it as its name.
        """
        if token == self.party_class:
            return 1
        if token == self.name and token not in PART_CLASSES:
            return 3
        return 0 if token == ANY else None


def rank_of(rule: Rule, first: Party, second: Party) -> int | None:
    """How specifically a rule fits a pair, in either order; None when it does not."""
    ranks = []
    for one, other in ((first, second), (second, first)):
        here, there = one.rank(rule.between[0]), other.rank(rule.between[1])
        if here is not None and there is not None:
            ranks.append(here + there)
    return max(ranks, default=None)


def choose_rule(first: Party, second: Party, rules: tuple[Rule, ...]) -> ChosenRule:
    """The rule for a pair, out of the layout's own ``rules`` and the defaults.

    There always is one: the last default fits every pair.
    """
    fitting = []
    for rule in (*rules, *_defaults(first, second)):
        rank = rank_of(rule, first, second)
        if rank is not None:
            fitting.append((rank, rule.origin != "default", rule))
    best = max(entry[:2] for entry in fitting)
    equals = [rule for *entry, rule in fitting if tuple(entry) == best]
    strictest = max(equals, key=lambda rule: (rule.must_mm, rule.want_mm))
    return ChosenRule(strictest, len({(rule.must_mm, rule.want_mm) for rule in equals}) > 1)


def _defaults(first: Party, second: Party) -> tuple[Rule, ...]:
    """The defaults; those that carry a movement give way where the thing that moves is modelled."""
    moving = {party.party_class for party in (first, second) if party.modelled}
    found = [rule for rule in MODELLED if rule.between[1] in moving]
    replaced = {rule.between for rule in found}
    return (*(rule for rule in DEFAULT_RULES if rule.between not in replaced), *found)
