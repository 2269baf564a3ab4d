"""Launcher: makes the clone's own ``.venv``, installs the project there, and hands the command over to it.

``python3 -m patchstats demo`` must work on a machine that has Python and nothing else, so this module uses the
standard library alone, and an old Python (from 3.6 on) can read it far enough to say that it is too old. Where
the project is installed already, the launcher steps aside.
"""

import hashlib
import os
import re
import subprocess
import sys
import time

OLDEST = (3, 11)
STAMP = "patchstats-stamp.txt"
LOG = "patchstats-install.log"

# What pip writes, in lower case, when nothing answers.
_NO_NETWORK = (
    "newconnectionerror", "failed to establish a new connection", "name resolution", "getaddrinfo failed",
    "nodename nor servname", "network is unreachable", "connection refused", "max retries exceeded",
    "connection broken", "read timed out", "no matching distribution found",
)


class LaunchError(Exception):
    """Why the project cannot be set up here, in one sentence."""


def one_thread(environment=os.environ) -> None:
    """Ask the linear-algebra libraries for one thread each; must come before numpy is imported.

    The project's problems are many and small: two threads waiting for each other were several times slower than
    one, and with one thread a sum is always added up in the same order.
    """
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
        environment.setdefault(name, "1")


def clone_root():
    """The folder of the clone that this file stands in, or None when it stands in an installed package."""
    root = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    is_clone = all(os.path.isfile(os.path.join(root, name)) for name in ("pyproject.toml", "constraints.txt"))
    return root if is_clone else None


def venv_folder(root: str) -> str:
    """Where the clone's virtual environment is: ``.venv``, or what PATCHSTATS_VENV names."""
    return os.path.abspath(os.environ.get("PATCHSTATS_VENV") or os.path.join(root, ".venv"))


def venv_python(venv: str, windows: bool = os.name == "nt") -> str:
    """The interpreter inside a virtual environment."""
    return os.path.join(venv, "Scripts", "python.exe") if windows else os.path.join(venv, "bin", "python")


def too_old(version=sys.version_info[:3]) -> str:
    """One sentence when this Python is too old to run the project, else an empty string."""
    if tuple(version) >= OLDEST:
        return ""
    return (f"patchstats needs Python {_dotted(OLDEST)} or newer and this is Python {_dotted(version)}: "
            "install a newer one and run the same command with it.")


def _dotted(version) -> str:
    return ".".join(str(part) for part in version)


def is_ready() -> bool:
    """True when this interpreter is the clone's own environment, or has the project installed."""
    root = clone_root()
    if root is None or os.path.realpath(sys.prefix) == os.path.realpath(venv_folder(root)):
        return True
    from importlib import metadata
    try:
        metadata.distribution("patchstats")
    except metadata.PackageNotFoundError:
        return False
    return True


def stamp_of(root: str) -> str:
    """What an up-to-date environment is stamped with: the packages asked for, and the Python that made it."""
    asked = hashlib.sha256()
    for name in ("pyproject.toml", "constraints.txt"):
        with open(os.path.join(root, name), "rb") as file:
            asked.update(file.read())
    return f"{asked.hexdigest()} Python {_dotted(sys.version_info[:3])}\n"


def set_up(root: str, say=print) -> str:
    """Make ``.venv`` and install the project there, unless that is done already; return its interpreter.

    Raises :class:`LaunchError` with one sentence on what went wrong.
    """
    venv = venv_folder(root)
    python, stamp, wanted = venv_python(venv), os.path.join(venv, STAMP), stamp_of(root)
    if os.path.exists(python) and _read(stamp) == wanted:
        return python
    started = time.time()
    try:
        make_venv(venv, say)
        say("Installing patchstats and what it needs (a minute or two, this once) ...")
        install(root, python, os.path.join(venv, LOG), say)
        with open(stamp, "w", encoding="utf-8") as file:
            file.write(wanted)
    except OSError as error:
        raise LaunchError(f"The environment {venv} cannot be made: {error.strerror or error}.") from error
    say(f"Ready after {time.time() - started:.0f} seconds.")
    return python


def make_venv(venv: str, say=print) -> None:
    """A virtual environment of this Python; one that another Python made is made anew."""
    try:
        import ensurepip  # noqa: F401
        import venv as _  # noqa: F401
    except ImportError as error:
        raise LaunchError(
            "This Python has no venv module, which keeps the project's packages apart from the machine's: install it "
            "(on Debian and Ubuntu: sudo apt install python3-venv) and try again.") from error
    made_by = _read(os.path.join(venv, "pyvenv.cfg"))
    this = f"version = {_dotted(sys.version_info[:3])}"
    if os.path.exists(venv_python(venv)) and this in made_by.splitlines():
        return
    if os.path.isdir(venv) and os.listdir(venv) and not made_by:
        raise LaunchError(f"{venv} is in the way: it is not a virtual environment; move it and try again.")
    say(f"Making {venv} ...")
    made = subprocess.run([sys.executable, "-m", "venv", "--clear", venv], stdout=subprocess.PIPE,
                          stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, text=True)
    if made.returncode:
        said = made.stdout.strip().splitlines() or ["no reason given"]
        raise LaunchError(f"The environment {venv} cannot be made: {said[-1]}")


def install(root: str, python: str, log: str, say=print) -> None:
    """Install the project, editable, with its test tools, at the releases that ``constraints.txt`` names."""
    command = [python, "-m", "pip", "install", "--disable-pip-version-check", "--no-input", "--progress-bar", "off",
               "--retries", "2", "-c", os.path.join(root, "constraints.txt"), "-e", root + "[test]"]
    report, asked = [], 0
    with open(log, "w", encoding="utf-8") as file:
        pip = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL,
                               text=True, errors="replace")
        for line in pip.stdout or ():
            file.write(line)
            report.append(line.strip())
            if line.startswith("Collecting "):
                asked += 1
                if asked % 30 == 0:
                    say(f"  {asked} packages found")
            elif line.startswith("Installing collected packages"):
                say(f"  writing {line.count(',') + 1} packages, the longest part")
    if pip.wait() == 0:
        return
    whole = "\n".join(report).lower()
    if any(words in whole for words in _NO_NETWORK):
        raise LaunchError("The packages that patchstats needs could not be fetched: a network is needed this once; "
                          f"connect and try again (pip's own report is in {log}).")
    if "no space left" in whole:
        raise LaunchError("The disk is full: patchstats and its packages take about 1 GB.")
    errors = [line for line in report if re.match(r"(ERROR|\w+Error): ", line)] or report[-1:] or ["no reason given"]
    raise LaunchError(f"Installing failed: {errors[-1]} (pip's own report is in {log}).")


def _read(path: str) -> str:
    """The text of a small file, or an empty string when there is none."""
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            return file.read()
    except OSError:
        return ""


def main(arguments=None) -> int:
    """Entry of ``python3 -m patchstats``: set up if need be, then run the command line inside ``.venv``."""
    arguments = list(sys.argv[1:] if arguments is None else arguments)
    try:
        if too_old():
            raise LaunchError(too_old())
        one_thread()
        if is_ready():
            from patchstats.cli import main as command_line
            return command_line(arguments)
        python = set_up(str(clone_root()))
        sys.stdout.flush()
        return subprocess.call([python, "-m", "patchstats", *arguments])
    except LaunchError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    except KeyboardInterrupt:
        sys.stderr.write("Stopped.\n")
        return 130
