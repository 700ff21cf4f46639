"""The invented sample truck: its true shape, and the scan that a scanner would make of it."""

from .scanner import TARGETS_MM, scan_m, scanner_rotation, target_lines, to_scanner_m, write_ply
from .truck import ARTEFACTS, NOT_SCANNED, true_pieces

__all__ = [
    "ARTEFACTS",
    "NOT_SCANNED",
    "TARGETS_MM",
    "scan_m",
    "scanner_rotation",
    "target_lines",
    "to_scanner_m",
    "true_pieces",
    "write_ply",
]
