"""What a person types: layout files, read, checked and built into a scene."""

from __future__ import annotations

from fitcheck.layout.load import KnownHashes, Layout, load_scene, named_files, read_layout

__all__ = ["KnownHashes", "Layout", "load_scene", "named_files", "read_layout"]
