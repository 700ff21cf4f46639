"""Makes fitcheck's own environment if need be, and runs the whole test suite in it, on all cores.

python3 scripts/test.py [anything that pytest understands; -n 0 for one process]
"""

import subprocess
import sys

import _environment


def main() -> int:
    """Run pytest in the environment; its exit code is ours."""
    python = _environment.prepare()
    return subprocess.call(
        [python, "-m", "pytest", "-n", "auto", "--maxprocesses", "4", "--dist", "worksteal"] + sys.argv[1:],
        cwd=_environment.ROOT,
    )


if __name__ == "__main__":
    sys.exit(main())
