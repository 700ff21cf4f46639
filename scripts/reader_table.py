"""The corpus of broken and odd mesh and point files, read file by file: what was expected, what was found.

    python scripts/reader_table.py

Ends with code 1 when any file gives another answer than expected.
"""

from __future__ import annotations

import sys
import tempfile
from importlib import import_module
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]


def main() -> int:
    """Prints the table; 0 when every file gives what was expected."""
    corpus, outcome = import_module("reader_corpus").CORPUS, import_module("reading_case").outcome
    wrong = 0
    for case in corpus:
        with tempfile.TemporaryDirectory() as folder:
            found, right = outcome(case, Path(folder))
        wrong += not right
        print(f"{'ok   ' if right else 'WRONG'} {case.name}\n      expected  {case.expected}\n      found     {found}")
    errors = sum(case.truth is None for case in corpus)
    print(f"{len(corpus)} files, {errors} of them errors; {wrong} other than expected")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
