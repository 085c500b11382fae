#!/usr/bin/env python3
"""Set up and run: `python3 scripts/start.py demo` builds the demo ground, `python3 scripts/start.py test` tests it all.

Standard library only, and written so that an old Python can still read it and say what it needs.
"""

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
OLDEST, NEWEST = (3, 11), (3, 13)
WINDOWS = os.name == "nt"
PYTHON = VENV / ("Scripts/python.exe" if WINDOWS else "bin/python")
TEST_PROGRAMS = {"chromium": "chromium", "pdftoppm": "poppler-utils"}
USAGE = "usage: python3 scripts/start.py demo|test [more words for the command]"


def say(text):
    print(text, file=sys.stderr, flush=True)


def stop(text):
    say(text)
    raise SystemExit(2)


def run(command, **more):
    say("$ " + " ".join(str(word) for word in command))
    return subprocess.run([str(word) for word in command], check=False, **more).returncode


def must(command, what, **more):
    if run(command, **more) != 0:
        stop("%s failed; the lines above say why. Mend that and run this again." % what)  # noqa: UP031


def right_python():
    """Go on with a Python that will do: this one, or one that is on the path."""
    if OLDEST <= sys.version_info[:2] <= NEWEST:
        return
    for minor in range(NEWEST[1], OLDEST[1] - 1, -1):
        other = shutil.which("python3.%d" % minor)  # noqa: UP031
        if other and run([other, "-c", "import sys"]) == 0:
            raise SystemExit(run([other, __file__, *sys.argv[1:]]))
    have = "%d.%d" % sys.version_info[:2]  # noqa: UP031
    stop(
        "This needs Python 3.11, 3.12 or 3.13; this is Python " + have + ".\n"
        "Install one of them and start this with it, as in: python3.13 scripts/start.py demo"
    )


def apt_install(packages):
    """Install Debian packages when that is possible, otherwise print the line to type; say whether they are there."""
    line = "apt-get install -y " + " ".join(packages)
    if not shutil.which("apt-get"):
        say("Not on this machine: " + ", ".join(packages) + ". Install them with its own package manager.")
        return False
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        say("To install what is missing, type:\n  sudo " + line)
        return False
    quiet = dict(os.environ, DEBIAN_FRONTEND="noninteractive")
    run(["apt-get", "update", "-qq"], env=quiet, stdout=subprocess.DEVNULL)
    return run([*line.replace("-y", "-y -qq").split()], env=quiet, stdout=subprocess.DEVNULL) == 0


def make_environment():
    """Make `.venv` beside and rename it, so that a half-made one is never taken for a whole one."""
    if PYTHON.exists() and run([PYTHON, "-c", "import pip"]) == 0:
        return
    try:
        import ensurepip  # noqa: F401
    except ImportError:
        if not apt_install(["python%d.%d-venv" % sys.version_info[:2]]):  # noqa: UP031
            stop("Python's venv module is incomplete here; install it as said above and run this again.")
    half = ROOT / ".venv.tmp"
    for folder in (half, VENV):
        if folder.exists():
            shutil.rmtree(str(folder))
    must([sys.executable, "-m", "venv", half], "Making the virtual environment")
    half.rename(VENV)


def install(extra):
    """Install the project into the environment unless just this was installed before."""
    text = (ROOT / "pyproject.toml").read_bytes() + (ROOT / "cemgis" / "__init__.py").read_bytes() + extra.encode()
    mark = VENV / ("installed-" + (extra.strip("[]") or "plain"))
    digest = hashlib.sha256(text + str(ROOT).encode()).hexdigest()
    if mark.exists() and mark.read_text(encoding="utf-8") == digest:
        return
    pip = [PYTHON, "-m", "pip", "install", "--disable-pip-version-check", "--quiet"]
    must([*pip, "-e", str(ROOT) + extra], "Installing the project")
    if extra == "[test]":
        # The validator of GDAL 3.13; its package would build GDAL itself, but its scripts are plain Python.
        must([*pip, "--no-deps", "gdal-utils>=3.13"], "Installing the GeoPackage validator")
    mark.write_text(digest, encoding="utf-8")


def demo(words):
    install("")
    return run([PYTHON, "-m", "cemgis", "demo", *words], cwd=str(ROOT))


def test(words):
    install("[test]")
    missing = [package for program, package in TEST_PROGRAMS.items() if not shutil.which(program)]
    if missing and not apt_install(missing):
        say("Tests that need them will be skipped.")
    tools = VENV / ("Scripts" if WINDOWS else "bin")
    steps = [
        ("lint", [tools / "ruff", "check", "."]),
        ("format", [tools / "ruff", "format", "--check", "."]),
        ("types", [tools / "mypy"]),
        ("direction of imports", [tools / "lint-imports"]),
        ("tests and doctests", [PYTHON, "-m", "pytest", "-q", "-n", "auto", *words]),
    ]
    # the tests run side by side: a linear algebra library that takes all processors for each makes them wait
    alone = dict(os.environ, OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")
    failed = [name for name, command in steps if run(command, cwd=str(ROOT), env=alone) != 0]
    if failed:
        say("Failed: " + ", ".join(failed) + ".")
        return 1
    return 0


def main():
    if len(sys.argv) < 2 or sys.argv[1] not in ("demo", "test"):
        stop(USAGE)
    right_python()
    make_environment()
    raise SystemExit({"demo": demo, "test": test}[sys.argv[1]](sys.argv[2:]))


if __name__ == "__main__":
    main()
