"""Random edits of a layout and its vehicle file, as data; some of them are mistakes.

Used by tests/test_watch.py and scripts/campaign_watch.py.
"""

from __future__ import annotations

import copy
import random
from collections.abc import Callable
from typing import Any


def random_edit(rng: random.Random, layout: dict[str, Any], vehicle: dict[str, Any]) -> tuple[str, dict, dict]:
    """One more edit of a layout and its vehicle file, as data; some of them are mistakes."""
    layout, vehicle = copy.deepcopy(layout), copy.deepcopy(vehicle)
    name = rng.choice(sorted(EDITS))
    EDITS[name](rng, layout, vehicle)
    return name, layout, vehicle


def _placed(layout: dict, vehicle: dict) -> list[dict]:
    """The entries of parts that say where they are."""
    parts = [*layout["parts"].values(), *vehicle["parts"].values()]
    return [part for part in parts if isinstance(part, dict) and ("place" in part or "x" in part.get("box", {}))]


def _move(rng: random.Random, layout: dict, vehicle: dict) -> None:
    part, by, axis = rng.choice(_placed(layout, vehicle)), rng.uniform(-12.0, 12.0), rng.randrange(3)
    if "place" in part:
        part["place"]["at"][axis] += by
    else:
        span = part["box"]["xyz"[axis]]
        part["box"]["xyz"[axis]] = [span[0] + by, span[1] + by]


def _resize(rng: random.Random, layout: dict, vehicle: dict) -> None:
    part, axis = rng.choice(_placed(layout, vehicle)), rng.randrange(3)
    if "place" in part:
        part["box"]["size"][axis] *= rng.uniform(0.9, 1.1)
    else:
        part["box"]["xyz"[axis]][1] += rng.uniform(-10.0, 10.0)


def _weigh(rng: random.Random, layout: dict, vehicle: dict) -> None:
    parts = [part for part in [*layout["parts"].values(), *vehicle["parts"].values()] if "mass" in (part or {})]
    rng.choice(parts)["mass"] = round(rng.uniform(5.0, 70.0), 2)


def _rule(rng: random.Random, layout: dict, vehicle: dict) -> None:
    rng.choice(vehicle["rules"])["must"] = round(rng.uniform(0.0, 24.0), 1)


def _another_rule(rng: random.Random, layout: dict, vehicle: dict) -> None:
    one, other = rng.sample(["hv_box", "lv", "scan", "shaft", "axle", "any", "A1", "rear_shaft", "charger"], 2)
    rules = layout.setdefault("rules", [])
    rules.append({"between": [one, other], "must": rng.randrange(40), "why": "tried"})
    del rules[:-3]


def _contact(rng: random.Random, layout: dict, vehicle: dict) -> None:
    one, other = rng.sample(["A1", "A2", "charger", "scan", "rear_shaft"], 2)
    centre = [rng.uniform(300, 2400), rng.uniform(-400, 400), rng.uniform(450, 800)]
    at = {"sphere": {"centre": centre, "diameter": rng.uniform(50, 400)}}
    layout["contacts"] = [{"between": [one, other], "at": at, "why": "tried"}]


def _exclusion(rng: random.Random, layout: dict, vehicle: dict) -> None:
    one, other = rng.sample(["A1", "A2", "charger", "scan", "rear_shaft", "hv_box", "lv"], 2)
    layout["exclude"] = [{"between": [one, other], "why": "tried"}]


def _no_more(rng: random.Random, layout: dict, vehicle: dict) -> None:
    layout.pop(rng.choice(["rules", "contacts", "exclude"]), None)


def _aboard(rng: random.Random, layout: dict, vehicle: dict) -> None:
    vehicle["load_states"]["laden"]["cargo"]["mass"] = rng.randrange(50, 500)


def _load_state(rng: random.Random, layout: dict, vehicle: dict) -> None:
    states = layout.setdefault("load_states", {})
    states["tried"] = {"trunk": {"mass": rng.randrange(20, 200), "cg": [2900, 0, 900]}}
    if rng.random() < 0.3:
        del layout["load_states"]


def _target(rng: random.Random, layout: dict, vehicle: dict) -> None:
    vehicle["targets"]["breakover_deg"]["laden"] = round(rng.uniform(20.0, 40.0), 1)


def _mechanism(rng: random.Random, layout: dict, vehicle: dict) -> None:
    axle = vehicle["mechanisms"][rng.choice(sorted(vehicle["mechanisms"]))]["solid_axle"]
    axle[rng.choice(["bump", "droop"])] = rng.randrange(60, 90)


def _add(rng: random.Random, layout: dict, vehicle: dict) -> None:
    x, y, z = rng.uniform(200, 2300), rng.uniform(-600, 500), rng.uniform(450, 800)
    box = {"x": [x, x + 90], "y": [y, y + 110], "z": [z, z + 60]}
    tube = {"from": [x, y, z], "to": [x + 200, y + 30, z + 40], "diameter": 30}
    shape = rng.choice([{"box": box}, {"capsule": tube}, {"cylinder": tube}])
    part_class = rng.choice(["lv", "hv_box", "coolant"])
    layout["parts"][f"new_{rng.randrange(1000)}"] = {"class": part_class, **shape, "mass": 4}


def _take_away(rng: random.Random, layout: dict, vehicle: dict) -> None:
    added = [name for name in layout["parts"] if name.startswith("new_")]
    if added:
        del layout["parts"][rng.choice(added)]


def _uncertainty(rng: random.Random, layout: dict, vehicle: dict) -> None:
    layout["uncertainty"] = {rng.choice(["scan", "motion", "fabrication"]): round(rng.uniform(0.3, 3.0), 2)}


def _mistake(rng: random.Random, layout: dict, vehicle: dict) -> None:
    layout["parts"]["charger" if "charger" in layout["parts"] else "A1"] = {"class": "no such class"}


EDITS: dict[str, Callable[[random.Random, dict, dict], None]] = {
    "part moved": _move, "part moved again": _move, "part resized": _resize, "mass": _weigh, "rule": _rule,
    "rule added": _another_rule, "contact": _contact, "exclusion": _exclusion, "entries taken out": _no_more,
    "mass aboard": _aboard, "load state": _load_state, "target": _target, "mechanism": _mechanism,
    "part added": _add, "part taken away": _take_away, "uncertainty": _uncertainty, "mistake": _mistake,
}  # fmt: skip
