"""Moving pairs shared among processes: the same rows, whoever computes them, and none lost when one dies."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace

import pytest
import trucks

from fitcheck.checks import crew
from fitcheck.checks.crew import check_jobs, danger_mm
from fitcheck.checks.pairing import pair_up
from fitcheck.geometry.solids import box
from fitcheck.result import Clearance
from fitcheck.vehicle.moving import RigidPiece, axle_body


def jobs() -> list[crew.Job]:
    axle = trucks.rear_axle()
    parts = tuple(
        trucks.part(name, box((x, -50.0, z), (x + 100.0, 50.0, z + 60.0)))
        for name, x, z in (("far", 500.0, 900.0), ("near", 2570.0, 560.0), ("middle", 2000.0, 700.0))
    )
    scene = trucks.scene(
        parts=parts, moving=(axle_body(axle),), mechanisms={axle.name: axle}, scan=trucks.spots((2620.0, 0.0, 900.0))
    )
    return list(pair_up(scene).moving)


def rows_of(some: list[crew.Job], cores: int) -> dict[int, Clearance]:
    found: dict[int, Clearance] = {}
    check_jobs(some, lambda number, row: found.setdefault(number, row), cores)
    return found


def test_the_most_dangerous_pair_is_looked_at_first_and_the_scan_before_all():
    told: list[int] = []
    some = jobs()
    check_jobs(some, lambda number, row: told.append(number))
    names = [some[number][1].between[0] for number in told]
    assert names == ["scan", "near", "middle", "far"]
    assert danger_mm(some[told[1]]) < danger_mm(some[told[2]]) < danger_mm(some[told[3]])


def test_two_processes_give_the_rows_of_one(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(crew, "WORTH_A_CREW", 1)
    some = jobs()
    assert rows_of(some, 2) == rows_of(some, 1)


@dataclass(frozen=True, eq=False)
class Deadly(RigidPiece):
    """A piece that ends the process that unpacks it."""

    def __reduce__(self) -> tuple[object, tuple[int]]:
        return os._exit, (3,)


def test_a_process_that_dies_loses_no_pair(monkeypatch: pytest.MonkeyPatch):
    """What it had is computed here: the same rows as ever."""
    monkeypatch.setattr(crew, "WORTH_A_CREW", 1)
    some = jobs()
    body, pair = some[1]
    deadly = replace(body, pieces=tuple(Deadly(piece.name, piece.motion, piece.solid) for piece in body.pieces))
    assert rows_of([some[0], (deadly, pair), *some[2:]], 2) == rows_of(some, 1)
