"""``python -m fitcheck``: the same as the command ``fitcheck``."""

from __future__ import annotations

from fitcheck.cli import main

if __name__ == "__main__":
    main()
