"""The scripts that a competent person would write for the same question without fitcheck.

    python peers.py fcl|trimesh FOLDER

Each reads the generated files, builds its structures over the whole scan, and prints the
least distance of every part and of the shaft at 41 heights of the axle, as JSON.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import trimesh

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from _bench import scene

POSES = 41


def main(which: str, folder: Path) -> None:
    """Print {"static_mm": {part: mm}, "shaft_mm": least over the sampled poses}."""
    scan = trimesh.load_mesh(folder / scene.SCAN, process=False)
    found = {"fcl": with_fcl, "trimesh": with_trimesh}[which](scan, load_parts(folder))
    print(json.dumps(found))


def load_parts(folder: Path) -> dict[str, trimesh.Trimesh]:
    """The ten parts as meshes in place."""
    parts = {}
    for name, spans in scene.BOXES.items():
        parts[name] = trimesh.creation.box(bounds=np.array(spans).T)
    for name in scene.MESHES:
        parts[name] = trimesh.load_mesh(folder / f"{name}.stl")
    return parts


def shaft_poses() -> tuple[trimesh.Trimesh, list[scene.Floats]]:
    """A cylinder along z from the origin, and where it goes as the axle moves straight up and down."""
    start, end = np.array(scene.SHAFT_FROM), np.array(scene.SHAFT_TO)
    length = float(np.linalg.norm(end - start))
    tube = trimesh.creation.cylinder(radius=scene.SHAFT_DIAMETER / 2.0, height=length, sections=64)
    tube.apply_translation([0.0, 0.0, length / 2.0])
    poses = []
    for height in np.linspace(-scene.DROOP, scene.BUMP, POSES):
        along = end + np.array([0.0, 0.0, height]) - start
        pose = trimesh.geometry.align_vectors((0.0, 0.0, 1.0), along)
        pose[:3, 3] = start
        poses.append(pose)
    return tube, poses


def with_fcl(scan: trimesh.Trimesh, parts: dict[str, trimesh.Trimesh]) -> dict[str, object]:
    """python-fcl alone: one tree over the scan, one a part."""
    import fcl

    def tree(mesh: trimesh.Trimesh) -> fcl.CollisionObject:
        model = fcl.BVHModel()
        model.beginModel(len(mesh.faces), len(mesh.vertices))
        model.addSubModel(np.asarray(mesh.vertices, dtype=np.float64), np.asarray(mesh.faces))
        model.endModel()
        return fcl.CollisionObject(model, fcl.Transform())

    def least(one: fcl.CollisionObject, other: fcl.CollisionObject) -> float:
        return float(fcl.distance(one, other, fcl.DistanceRequest(), fcl.DistanceResult()))

    metal = tree(scan)
    static = {name: least(tree(mesh), metal) for name, mesh in parts.items()}
    tube, poses = shaft_poses()
    moving = tree(tube)
    found = []
    for pose in poses:
        moving.setTransform(fcl.Transform(pose[:3, :3], pose[:3, 3]))
        found.append(least(moving, metal))
    return {"static_mm": static, "shaft_mm": min(found)}


def with_trimesh(scan: trimesh.Trimesh, parts: dict[str, trimesh.Trimesh]) -> dict[str, object]:
    """trimesh's collision manager, as its documentation shows it."""
    manager = trimesh.collision.CollisionManager()
    manager.add_object("scan", scan)
    static = {name: float(manager.min_distance_single(mesh)) for name, mesh in parts.items()}
    tube, poses = shaft_poses()
    return {
        "static_mm": static,
        "shaft_mm": min(float(manager.min_distance_single(tube, transform=pose)) for pose in poses),
    }


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
