"""Can this machine draw? Asked before anything is drawn: the library under pyvista would crash, not say so.

A window needs a screen; a picture does without one wherever OpenGL can draw into memory
(EGL on Linux). On Windows and macOS the system brings both.
"""

from __future__ import annotations

import os
import sys

from fitcheck.errors import InputError

_BACKEND = "VTK_DEFAULT_OPENGL_WINDOW"
_LIBRARIES = "on Debian and Ubuntu: sudo apt install libgl1 libegl1 libgl1-mesa-dri"


class NoGraphics(InputError):
    """The machine has no screen, or no OpenGL that works."""


def ready_for_window() -> None:
    """Make sure that a window can open. Raises NoGraphics with what is missing and what to do instead."""
    _quiet()
    if not sys.platform.startswith("linux"):
        return
    _need_libraries()
    if not os.environ.get("DISPLAY"):
        raise NoGraphics(
            "a window needs a screen, and there is none here (DISPLAY is not set): run this on the machine's own "
            "desktop, or draw without a screen: fitcheck picture LAYOUT -o DIR"
        )
    if not _draws("vtkXOpenGLRenderWindow"):
        raise NoGraphics(
            f"the screen {os.environ['DISPLAY']} cannot be reached, or it has no OpenGL: look whether it is yours and "
            f"whether OpenGL is installed ({_LIBRARIES}), or draw without a screen: fitcheck picture LAYOUT -o DIR"
        )
    os.environ[_BACKEND] = "vtkXOpenGLRenderWindow"


def ready_for_pictures() -> None:
    """Make sure that pictures can be drawn without a window. Raises NoGraphics with what is missing."""
    _quiet()
    if not sys.platform.startswith("linux"):
        return
    _need_libraries()
    for backend in ("vtkEGLRenderWindow", "vtkXOpenGLRenderWindow"):
        if _draws(backend):
            os.environ[_BACKEND] = backend
            return
    raise NoGraphics(f"pictures need OpenGL, and none works here: install it ({_LIBRARIES}), then run this again")


def _need_libraries() -> None:
    """Fail with words where the drawing library itself cannot be loaded: its shared libraries are not there."""
    try:
        import vtkmodules.vtkRenderingOpenGL2  # noqa: F401
    except ImportError as error:
        raise NoGraphics(f"drawing needs OpenGL libraries that are not there ({error}): {_LIBRARIES}") from error


def _draws(backend: str) -> bool:
    """Whether the library can make an OpenGL context this way; it answers without crashing."""
    from vtkmodules import vtkRenderingOpenGL2

    make = getattr(vtkRenderingOpenGL2, backend, None)
    if make is None:
        return False
    window = make()
    window.SetOffScreenRendering(1)
    window.SetShowWindow(False)
    return bool(window.SupportsOpenGL())


def _quiet() -> None:
    """Keep the library's own chatter off the terminal: what goes wrong is said in our words."""
    os.environ.setdefault("EGL_LOG_LEVEL", "fatal")
    os.environ.setdefault("LIBGL_DEBUG", "quiet")
    from vtkmodules.vtkCommonCore import vtkLogger, vtkObject

    vtkLogger.SetStderrVerbosity(vtkLogger.VERBOSITY_OFF)
    vtkObject.GlobalWarningDisplayOff()
