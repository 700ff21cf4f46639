"""What goes on, on standard error, once it has taken longer than a second."""

from __future__ import annotations

import threading
from types import TracebackType
from typing import TextIO

from fitcheck.report.wording import clean

PATIENCE_S = 1.0
_LINE = 76


class Progress:
    """A callable that takes a step's name, silent for the first second.

    On a terminal the step stands in one line that changes and is gone at the end; in a
    file or a pipe every step is a line of its own. Use it in a ``with`` statement. The
    step that is under way when the second has passed is shown by a timer.
    """

    def __init__(self, stream: TextIO, patience_s: float = PATIENCE_S) -> None:
        self._stream = stream
        self._one_line = stream.isatty()
        self._lock = threading.Lock()
        self._step = ""
        self._shown = ""
        self._speaking = False
        self._timer = threading.Timer(patience_s, self._begin)
        self._timer.daemon = True

    def __enter__(self) -> Progress:
        self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._timer.cancel()
        with self._lock:
            self._speaking = False
            if self._one_line and self._shown:
                self._write("\r" + " " * _LINE + "\r")

    def __call__(self, step: str) -> None:
        """Say which step begins now."""
        with self._lock:
            self._step = clean(step)
            self._show()

    def _begin(self) -> None:
        with self._lock:
            self._speaking = True
            self._show()

    def _show(self) -> None:
        if not self._speaking or not self._step or self._step == self._shown:
            return
        self._shown = self._step
        self._write(f"\r{self._step[:_LINE]:{_LINE}}" if self._one_line else f"fitcheck: {self._step}\n")

    def _write(self, text: str) -> None:
        try:
            self._stream.write(text)
            self._stream.flush()
        except (OSError, ValueError):  # whoever listened is gone; the check goes on
            self._speaking = False
