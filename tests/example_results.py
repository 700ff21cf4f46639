"""Results made by hand, for tests of the reports; the figures are invented."""

from __future__ import annotations

from fitcheck.result import (
    Clearance,
    ClearingMove,
    Contributor,
    Coverage,
    CoverageRow,
    Ground,
    JointAngles,
    Limit,
    Loads,
    Owned,
    PartEcho,
    Result,
    Shaft,
    ShaftLength,
    Verdict,
)

HOSTILE = "[red]x[/red] \x1b[31m \u202eabc 🔋電 אבג " + "long " * 40


def clearance(
    between: tuple[str, str], verdict: Verdict = Verdict.PASS, distance_mm: float | None = 40.0, **more: object
) -> Clearance:
    """One clearance judged by an invented rule of 15 with a guard of 7.4."""
    figures: dict[str, object] = {
        "reason": f"{distance_mm} against 15 with guard 7.4",
        "rule": "hv_box – shaft (default: common practice)",
        "must_mm": 15.0,
        "want_mm": 25.0,
        "guard_mm": 7.39594,
        "distance_mm": distance_mm,
        "at_least_mm": distance_mm,
        "static_mm": distance_mm,
    }
    return Clearance(between, verdict, **{**figures, **more})  # type: ignore[arg-type]


def example_result() -> Result:
    """A Result with something in every field: an overlap, a doubtful pair, nine passes, two load states."""
    clearances = (
        *(clearance((f"A{i}", "scan"), distance_mm=40.0 + i) for i in range(1, 10)),
        _doubtful(),
        _colliding(),
    )
    rows = [CoverageRow(item.between, "checked", item.rule) for item in clearances]
    rows += [CoverageRow(("A1", "rail"), "declared_contact", "mount foot")]
    rows += [CoverageRow(("A1", "A2"), "excluded", "a.yaml:12: bolted to each other")]
    return Result(
        title="A, four slim boxes",
        layout="sample/a.yaml",
        clearances=clearances,
        coverage=Coverage(tuple(rows)),
        ground={"kerb": _ground(0.0), "laden": _ground(-31.0)},
        loads={"kerb": _loads(1600.0), "laden": _loads(1985.0)},
        shafts={"rear_shaft": _shaft()},
        limits=_limits(),
        parts=(
            PartEcho(
                "A1",
                "hv_box",
                (1340.0, 2156.0),
                (-340.0, -105.0),
                (471.5, 630.0),
                55.5,
                (1748.0, -222.5, 548.0),
                "extents",
            ),
            PartEcho("cables", "hv_cable", None, None, None, 12.0, (1300.0, 0.0, 600.0), "mass only"),
        ),
        warnings=("part 'cables' has no shape: it is weighed and not checked",),
        cautions=("the height of the centre of gravity of the removed engine is a guess",),
        inputs={"sample/a.yaml": "0" * 64, "sample/scan.ply": "1" * 64},
        timing_s={"read": 0.1, "clearance": 0.25},
    )


def _doubtful() -> Clearance:
    return clearance(
        ("A2", "rear_shaft"),
        Verdict.NOT_PROVEN,
        16.04,
        reason="too close to call: likely fail",
        at_least_mm=15.98,
        static_mm=44.5,
        straight_bump_mm=31.2,
        pose={
            "rear_axle.heave_mm": 62.0,
            "rear_axle.roll_deg": -3.04,
            "rear_axle.wind_up_deg": 6.0,
            "rear_axle.lateral_mm": 0.0,
        },
        points_mm=((1720.4, 105.0, 501.2), (1721.0, 89.0, 500.0)),
        guard_parts={"scan": 0.5, "motion": 2.0},
    )


def _colliding() -> Clearance:
    return clearance(
        ("B1", "scan"),
        Verdict.FAIL,
        0.0,
        reason="collides",
        static_mm=0.0,
        depth_mm=12.3,
        contact="overlap",
        points_mm=((1748.0, 400.0, 580.0), (1748.0, 400.0, 580.0)),
        moves=(
            ClearingMove("+x", (1.0, 0.0, 0.0), None, 500.0),
            ClearingMove("-y", (0.0, -1.0, 0.0), 52.31, 500.0),
            ClearingMove("exit", (0.0, 0.0, -1.0), 130.0, 500.0),
        ),
    )


def _ground(shift_mm: float) -> Ground:
    return Ground(
        belly_mm=326.0 + shift_mm,
        belly_owner="A1",
        under_axle_mm={"front": 205.4, "rear": 204.1},
        approach_deg=38.2,
        departure_deg=34.9,
        breakover_deg=32.6,
        owners={
            "belly": Owned(326.0, "A1", (1340.0, -222.0, 326.0), "A2", 327.5),
            "approach": Owned(38.2, "scan", (-560.0, 0.0, 520.0)),
            "departure": Owned(34.9, "B2", (3310.0, 0.0, 416.0), "scan", 35.5),
            "breakover": Owned(32.6, "A1", (1340.0, -222.0, 326.0), None, None),
        },
        bump_left_mm={"front": 61.0, "rear": None},
        floor_z_mm={"front": 4.0, "rear": 22.0},
    )


def _loads(mass_kg: float) -> Loads:
    return Loads(
        mass_kg=mass_kg,
        front_kg=0.42 * mass_kg,
        rear_kg=0.58 * mass_kg,
        front_share_pct=42.0,
        left_kg=mass_kg / 2,
        right_kg=mass_kg / 2,
        cg_mm=(1519.6, 2.0, 668.0),
        ssf=1.108,
        front_sigma_kg=4.1,
        body_drop_mm={"front": 3.0, "rear": 21.0},
        rear_sigma_kg=4.4,
        cg_height_over_ground_mm=655.0,
        contributors=(Contributor("engine", 3.2), Contributor("A1", 0.8)),
    )


def _shaft() -> Shaft:
    return Shaft(
        {"front": JointAngles(4.3, 9.6), "rear": JointAngles(4.3, 12.0)},
        ShaftLength(1064.4, 1058.1, 1071.9),
        13.8,
        4210.0,
    )


def _limits() -> tuple[Limit, ...]:
    return (
        Limit(
            "front_share_pct", "kerb", 42.0, 0.2, 42.0, "at least", Verdict.NOT_PROVEN, "too close to call", "a.yaml:40"
        ),
        Limit("rating_rear_kg", "laden", 1151.0, 4.4, 1450.0, "at most", Verdict.PASS, "within the rating"),
        Limit("breakover_deg", "laden", 31.96, 0.0, 32.0, "at least", Verdict.FAIL, "0.04° short"),
    )
