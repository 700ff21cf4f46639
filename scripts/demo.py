"""Makes fitcheck's own environment if need be, checks the sample, and says what to type next.

python3 scripts/demo.py
"""

import os
import subprocess
import sys

import _environment

SAMPLE = os.path.join("sample_meshes", "hollin262")
ARRANGEMENTS = ("a", "a2", "d", "b", "b2")
ANSWERS = {0: "all PASS", 1: "something FAILs", 3: "no FAIL, but something is NOT PROVEN"}


def main() -> int:
    """Check the five arrangements one after the other; a verdict other than PASS is no error of the demo."""
    python = _environment.prepare()
    answers = []
    for name in ARRANGEMENTS:
        layout = os.path.join(SAMPLE, name + ".yaml")
        _environment.say("\n" + "=" * 100 + "\nfitcheck check " + layout + "\n")
        code = subprocess.call([python, "-m", "fitcheck", "check", layout], cwd=_environment.ROOT)
        if code not in ANSWERS:
            sys.stderr.write("the demo stops here: fitcheck ended with exit code {}\n".format(code))
            return code if code > 0 else 70
        answers.append((layout, code))
    say_what_next(answers)
    return 0


def say_what_next(answers: "list[tuple[str, int]]") -> None:
    """The five answers in five lines, and the commands that a person can try now."""
    command = os.path.relpath(_environment.program("fitcheck"), _environment.ROOT)
    lines = ["", "=" * 100, "The five arrangements of the sample:"]
    lines += ["  {:34} exit code {}: {}".format(layout, code, ANSWERS[code]) for layout, code in answers]
    lines += [
        "",
        "Type next, in {}:".format(_environment.ROOT),
        "  {} check {}".format(command, answers[0][0]),
        "  {} view {}".format(command, answers[0][0]),
        "  {} compare {} {}".format(command, answers[0][0], answers[2][0]),
        "  {} watch {}".format(command, answers[0][0]),
        "  {} new my_truck".format(command),
        "  {} --help".format(command),
    ]
    _environment.say("\n".join(lines))


if __name__ == "__main__":
    sys.exit(main())
