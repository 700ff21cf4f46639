"""The surface that is drawn on: a window or memory, cut into views side by side, with light and a mouse.

Straight on the drawing library: pyvista's own plotter loads a plotting library that nothing
here needs, and that alone is a third of a second of the two that a window may take to open.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitcheck.view import colours

Pixels = NDArray[np.uint8]


class Canvas:
    """Views side by side. ``edges``: where they meet, shares (0 to 1) of the width, both ends included.

    ``interactive``: with a mouse and keys; off screen they are whatever sends events.
    """

    def __init__(
        self,
        size: tuple[int, int],
        edges: Sequence[float],
        *,
        off_screen: bool,
        interactive: bool = False,
        title: str = "",
    ) -> None:
        _load_backends()
        from vtkmodules.vtkRenderingCore import vtkRenderWindow

        self.off_screen = off_screen
        self.window = vtkRenderWindow()
        self.window.SetOffScreenRendering(off_screen)
        self.window.SetShowWindow(not off_screen)
        self.window.SetMultiSamples(0 if interactive else 8)  # without a graphics card each costs a fifth of a second
        self.window.SetSize(*size)
        self.window.SetWindowName(title)
        self.views = [self._view(edges[k], edges[k + 1]) for k in range(len(edges) - 1)]
        for view in self.views:
            view.SetUseFXAA(interactive)  # smooths edges at next to no cost
        self.interactor: Any = self._interactor() if interactive else None

    def _view(self, left: float, right: float) -> Any:
        from vtkmodules.vtkRenderingCore import vtkLightKit, vtkRenderer

        view = vtkRenderer()
        view.SetViewport(left, 0.0, right, 1.0)
        view.SetBackground(*colours.rgb(colours.BACKGROUND))
        kit = vtkLightKit()
        kit.AddLightsToRenderer(view)
        self.window.AddRenderer(view)
        return view

    def _interactor(self) -> Any:
        from vtkmodules.vtkInteractionStyle import vtkInteractorStyleTrackballCamera
        from vtkmodules.vtkRenderingCore import vtkRenderWindowInteractor
        from vtkmodules.vtkRenderingUI import vtkGenericRenderWindowInteractor

        interactor = vtkGenericRenderWindowInteractor() if self.off_screen else vtkRenderWindowInteractor()
        interactor.SetRenderWindow(self.window)
        interactor.SetInteractorStyle(vtkInteractorStyleTrackballCamera())
        interactor.Initialize()
        return interactor

    def shrink_to_screen(self) -> None:
        """Make the window no larger than the screen, less a rim for what the desktop keeps."""
        screen = self.window.GetScreenSize()
        size = [min(have, most - 80) if most > 200 else have for have, most in zip(self.size, screen, strict=True)]
        self.window.SetSize(*size)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels."""
        width, height = self.window.GetSize()
        return width, height

    def draw(self) -> None:
        """Draw all views."""
        self.window.Render()

    def pixels(self) -> Pixels:
        """What was drawn last, (height, width, 3), the top row first."""
        from vtkmodules.util.numpy_support import vtk_to_numpy
        from vtkmodules.vtkCommonCore import vtkUnsignedCharArray

        width, height = self.size
        bytes_ = vtkUnsignedCharArray()
        self.window.GetPixelData(0, 0, width - 1, height - 1, 0 if self.off_screen else 1, bytes_, 0)
        return np.asarray(vtk_to_numpy(bytes_).reshape(height, width, 3)[::-1].copy())

    def close(self) -> None:
        """Take the window down and free its memory."""
        for view in self.views:
            view.RemoveAllViewProps()
        self.window.Finalize()
        if self.interactor is not None:
            self.interactor.TerminateApp()


class Carrier:
    """Carries an error out of the library's event loop, which would print it and go on; ``stop`` ends the loop."""

    def __init__(self, stop: Callable[[], None]) -> None:
        self.stop = stop
        self.error: BaseException | None = None

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> bool:
        if error is not None and self.error is None:
            self.error = error
            self.stop()
        return True

    def wrapped(self, act: Callable[..., None], *arguments: object) -> Callable[..., None]:
        """The act as what an event calls."""

        def call(*_: object) -> None:
            with self:
                act(*arguments)

        return call

    def deliver(self) -> None:
        """Raise what was carried, once."""
        error, self.error = self.error, None
        if error is not None:
            raise error


def _load_backends() -> None:
    """The library finds its parts when they have been imported."""
    import vtkmodules.vtkInteractionStyle
    import vtkmodules.vtkRenderingFreeType
    import vtkmodules.vtkRenderingOpenGL2
    import vtkmodules.vtkRenderingUI  # noqa: F401
