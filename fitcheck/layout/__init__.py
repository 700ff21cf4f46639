"""What a person types: layout files, read, checked and built into a scene."""

from __future__ import annotations

from fitcheck.layout.load import Layout, load_scene, read_layout

__all__ = ["Layout", "load_scene", "read_layout"]
