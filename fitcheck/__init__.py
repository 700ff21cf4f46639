"""fitcheck: does an arrangement of parts fit into a scanned vehicle, moving and loaded, before metal is cut?

The public face for people who script it::

    import fitcheck

    scene = fitcheck.load_scene("a.yaml")
    result = fitcheck.check_scene(scene)
    for clearance in result.clearances:
        print(clearance.between, clearance.verdict.value, clearance.at_least_mm)

Everything is in millimetres, kilograms and degrees, in the vehicle frame: x rearward
from the front-axle line, y to the vehicle's right, z up from the scan-day floor.
Names are looked up when they are first used (PEP 562), so that ``import fitcheck``
loads none of the libraries behind them.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fitcheck.checks.run import check_scene
    from fitcheck.comparison import Comparison
    from fitcheck.errors import FitcheckError, InputError, LayoutError
    from fitcheck.layout import load_scene, read_layout
    from fitcheck.report.comparison_document import comparison_document
    from fitcheck.report.json_document import to_document
    from fitcheck.result import Clearance, Coverage, Ground, Limit, Loads, Result, Shaft, Verdict
    from fitcheck.study.compare import compare
    from fitcheck.vehicle.scene import Scene

__version__ = "0.1.0"

__all__ = [
    "Clearance",
    "Comparison",
    "Coverage",
    "FitcheckError",
    "Ground",
    "InputError",
    "LayoutError",
    "Limit",
    "Loads",
    "Result",
    "Scene",
    "Shaft",
    "Verdict",
    "check_scene",
    "compare",
    "comparison_document",
    "load_scene",
    "read_layout",
    "to_document",
]

_HOME = {
    "check_scene": "fitcheck.checks.run",
    "compare": "fitcheck.study.compare",
    "Comparison": "fitcheck.comparison",
    "comparison_document": "fitcheck.report.comparison_document",
    "FitcheckError": "fitcheck.errors",
    "InputError": "fitcheck.errors",
    "LayoutError": "fitcheck.errors",
    "load_scene": "fitcheck.layout",
    "read_layout": "fitcheck.layout",
    "Scene": "fitcheck.vehicle.scene",
    "to_document": "fitcheck.report.json_document",
}


def __getattr__(name: str) -> object:
    """Look a public name up in the module that holds it; AttributeError for any other."""
    if name not in __all__:
        raise AttributeError(f"module 'fitcheck' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOME.get(name, "fitcheck.result")), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
