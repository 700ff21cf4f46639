"""Makes the project's own environment in .venv: the standard library only, any Python 3 can read it.

Both demo.py and test.py call :func:`prepare`. It makes .venv, installs what
requirements.txt pins and the project itself, and leaves a stamp. While the stamp
fits, it does nothing; a half-made environment is made anew.
"""

import hashlib
import os
import shutil
import subprocess
import sys

OLDEST_PYTHON = (3, 11)
ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
ENVIRONMENT = os.path.join(ROOT, ".venv")
STAMP = os.path.join(ENVIRONMENT, "fitcheck-ready")
MAKING = os.path.join(ENVIRONMENT, "fitcheck-making")
LOG = os.path.join(ENVIRONMENT, "pip.log")
CANNOT = 2
STOPPED = 130

# What pip prints when it does not reach the package index.
_NO_NETWORK = (
    "NewConnectionError",
    "ConnectTimeoutError",
    "ReadTimeoutError",
    "NameResolutionError",
    "ProxyError",
    "Failed to establish a new connection",
    "Temporary failure in name resolution",
    "getaddrinfo failed",
    "Network is unreachable",
    "Connection refused",
)


class CannotPrepare(Exception):
    """The environment cannot be made; the message says in one line what is missing."""


def program(name: str) -> str:
    """Where the environment keeps a program, on this operating system."""
    if os.name == "nt":
        return os.path.join(ENVIRONMENT, "Scripts", name + ".exe")
    return os.path.join(ENVIRONMENT, "bin", name)


def prepare() -> str:
    """Make the environment, or reuse it; return the path of its Python.

    Ends the process with exit code 2 and one line on standard error when that is
    not possible: a Python that is too old, no venv module, no network.
    """
    try:
        check_python(sys.version_info[:2])
        if not is_ready():
            make()
    except CannotPrepare as problem:
        sys.stderr.write("cannot set up fitcheck: {}\n".format(problem))
        sys.exit(CANNOT)
    except KeyboardInterrupt:
        sys.stderr.write("\nstopped; the next run begins anew\n")
        sys.exit(STOPPED)
    except OSError as problem:
        sys.stderr.write("cannot set up fitcheck in {}: {}\n".format(ENVIRONMENT, problem))
        sys.exit(CANNOT)
    return program("python")


def check_python(version: "tuple[int, ...]") -> None:
    """Raise CannotPrepare when this Python is too old or has no venv module."""
    if tuple(version) < OLDEST_PYTHON:
        raise CannotPrepare(
            "this is Python {}.{} ({}); fitcheck needs {}.{} or newer: install one and run this script with it".format(
                version[0], version[1], sys.executable, *OLDEST_PYTHON
            )
        )
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError:
        raise CannotPrepare(
            "this Python has no venv module; on Debian and Ubuntu: sudo apt install python3-venv"
        ) from None


def is_ready() -> bool:
    """Whether the environment was finished for this folder, this Python and these requirements."""
    try:
        with open(STAMP, encoding="utf-8") as stamp:
            return stamp.read() == fingerprint() and os.path.exists(program("python"))
    except OSError:
        return False


def fingerprint() -> str:
    """What the environment depends on, as one hash."""
    digest = hashlib.sha256()
    for name in ("requirements.txt", "pyproject.toml"):
        with open(os.path.join(ROOT, name), "rb") as file:
            digest.update(file.read().replace(b"\r\n", b"\n"))
    digest.update("{} {}.{}".format(ROOT, *sys.version_info[:2]).encode("utf-8"))
    return digest.hexdigest()


def make() -> None:
    """Make the environment from nothing; remove what an earlier, broken run left."""
    remove_ours()
    os.mkdir(ENVIRONMENT)
    with open(MAKING, "w", encoding="utf-8") as mark:
        mark.write("scripts/_environment.py is at work, or was stopped\n")
    say(
        "Setting up fitcheck's own environment in {} (once; a few minutes, about 400 MB to fetch) ...".format(
            ENVIRONMENT
        )
    )
    run_quietly([sys.executable, "-m", "venv", ENVIRONMENT], "could not make a virtual environment")
    requirements = os.path.join(ROOT, "requirements.txt")
    pip("--only-binary", ":all:", "--requirement", requirements)
    pip("--no-deps", "--no-build-isolation", "--editable", ROOT)
    with open(STAMP, "w", encoding="utf-8") as stamp:
        stamp.write(fingerprint())
    os.remove(MAKING)


def remove_ours() -> None:
    """Remove an environment that this script made; refuse to touch any other."""
    if not os.path.lexists(ENVIRONMENT):
        return
    if not os.path.isdir(ENVIRONMENT) or (os.listdir(ENVIRONMENT) and not was_made_here()):
        raise CannotPrepare("{} was not made by this script: move it away, then run this again".format(ENVIRONMENT))
    shutil.rmtree(ENVIRONMENT)


def was_made_here() -> bool:
    """Whether this script's mark or stamp is in the environment."""
    return os.path.exists(STAMP) or os.path.exists(MAKING)


def pip(*arguments: str) -> None:
    """Run ``pip install`` in the environment; raise CannotPrepare with the one line that matters."""
    command = [program("python"), "-m", "pip", "install", "--no-input", "--disable-pip-version-check", "--retries", "2"]
    run_quietly(command + list(arguments), "pip could not install what requirements.txt names")


def run_quietly(command: "list[str]", failure: str) -> None:
    """Run a command with its output in the log; on a terminal show that something goes on."""
    with open(LOG, "a", encoding="utf-8") as log:
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, cwd=ROOT
        )
        assert process.stdout is not None
        printed = []
        for raw in process.stdout:
            line = raw.decode("utf-8", "replace")
            log.write(line)
            printed.append(line.strip())
            show_step(line)
    if process.wait() != 0:
        raise CannotPrepare(explain(failure, printed))


def explain(failure: str, printed: "list[str]") -> str:
    """The one line that a person needs out of what pip printed."""
    if any(word in line for line in printed for word in _NO_NETWORK):
        failure = "the package index cannot be reached: check the network (or the proxy), then run this again"
        return "{}; details in {}".format(failure, LOG)
    printed = [line for line in printed if line.strip()]
    errors = [line for line in printed if line.lower().startswith("error")] or printed[-1:]
    if any("matching distribution" in line for line in errors):
        failure = "{} for Python {}.{} on this system".format(failure, *sys.version_info[:2])
    return "{}: {}; details in {}".format(failure, errors[0] if errors else "it said nothing", LOG)


def show_step(line: str) -> None:
    """On a terminal: one line that changes while pip works."""
    words = line.split()
    if sys.stdout.isatty() and words and words[0] in ("Collecting", "Downloading", "Installing", "Building"):
        sys.stdout.write("\r  " + " ".join(words)[:70].ljust(72) + "\r")
        sys.stdout.flush()


def say(text: str) -> None:
    """Print at once, so that the line stands before what a child process prints."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()
