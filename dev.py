#!/usr/bin/env python3
"""Set up loopwear and run it, with nothing but Python 3.11 or later.

    python3 dev.py demo    install what the product needs, make the invented fleet, open the three answers
    python3 dev.py test    install the test tools too, then lint, type-check and test

Anything after the word is passed on: `python3 dev.py demo --loops 200`, `python3 dev.py test -k locating`.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
LOCKS = ROOT / "shared" / "environment"
BIN = VENV / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BIN / ("python.exe" if os.name == "nt" else "python")

USAGE = "usage: python3 dev.py demo|test [options passed on]"


def run(*command: str | Path) -> None:
    code = subprocess.call([str(part) for part in command], cwd=ROOT)
    if code:
        raise SystemExit(code)


def install(lock_name: str) -> None:
    """Bring .venv in line with a lock. Stamps are written last, so a broken install is done again."""
    # The place counts because the scripts of a virtual environment hold absolute paths.
    home = f"{sys.version}{ROOT}"
    home_stamp = VENV / "home.stamp"
    if not PYTHON.exists() or not home_stamp.exists() or home_stamp.read_text(encoding="utf-8") != home:
        print("dev.py: making .venv", flush=True)
        venv.EnvBuilder(with_pip=True, clear=True).create(VENV)
        home_stamp.write_text(home, encoding="utf-8")
    lock = LOCKS / lock_name
    stamp = VENV / f"{lock_name}.stamp"
    wanted = hashlib.sha256(lock.read_bytes() + (ROOT / "pyproject.toml").read_bytes()).hexdigest()
    if stamp.exists() and stamp.read_text(encoding="utf-8") == wanted:
        return
    print(f"dev.py: installing {lock_name} (a minute or two and up to 1.3 GB, only when it changes)", flush=True)
    pip = [PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    run(*pip, "--require-hashes", "-r", lock)
    run(*pip, "--no-deps", "--no-build-isolation", "-e", ROOT)
    # The workflow engine's empty history, made once: every new workspace starts from a copy of it.
    run(PYTHON, "-m", "pipelines.run_history", "prepare")
    stamp.write_text(wanted, encoding="utf-8")


def test(arguments: list[str]) -> None:
    """Lint, type-check and test; with arguments, only pytest with them."""
    install("dev.lock")
    if not arguments:
        run(PYTHON, "-m", "ruff", "check", ".")
        run(PYTHON, "-m", "mypy")
        arguments = ["-n", "2", "--dist", "loadgroup"]
    run(PYTHON, "-m", "pytest", *arguments)


def demo(arguments: list[str]) -> None:
    install("product.lock")
    run(BIN / "loopwear", "demo", *arguments)


def main(arguments: list[str]) -> None:
    if sys.version_info < (3, 11):
        raise SystemExit(f"dev.py: loopwear needs Python 3.11 or later, this is {sys.version.split()[0]}")
    commands = {"demo": demo, "test": test}
    if not arguments or arguments[0] not in commands:
        raise SystemExit(f"{__doc__}\n{USAGE}")
    commands[arguments[0]](arguments[1:])


if __name__ == "__main__":
    main(sys.argv[1:])
