#!/usr/bin/env python3
"""Set up loopwear and run it, with nothing but Python 3.11 or later.

    python3 dev.py demo    install what the product needs, make the invented fleet, open the three answers
    python3 dev.py test    install the test tools too, then lint, type-check and test
    python3 dev.py lines   count lines of product and tests by kind, after formatting; of a commit: lines REVISION
    python3 dev.py mutate  put small faults into the pure modules, see whether the tests notice; --count, --seed, paths

Anything after the word is passed on: `python3 dev.py demo --loops 200`, `python3 dev.py test -k locating`.
"""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
import sys
import venv
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
LOCKS = ROOT / "shared" / "environment"
BIN = VENV / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BIN / ("python.exe" if os.name == "nt" else "python")

COUNTED = (".py", ".sql", ".js", ".html", ".css", ".toml")
USAGE = "usage: python3 dev.py demo|test|lines|mutate [options passed on]"


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
        run(PYTHON, "-m", "ruff", "format", "--check", ".")
        run(PYTHON, "-m", "ruff", "check", ".")
        run(PYTHON, "-m", "mypy")
        arguments = ["-n", "2", "--dist", "loadgroup"]
    run(PYTHON, "-m", "pytest", *arguments)


def demo(arguments: list[str]) -> None:
    install("product.lock")
    run(BIN / "loopwear", "demo", *arguments)


def lines(arguments: list[str]) -> None:
    """Count lines of product and tests by kind: of the working tree, or of a commit; Python as this tree formats it.

    Generated and vendored files and locks count nowhere: they are .md, .lock, .png and .min.js. A name said twice is a
    function, class or constant that more than one module of the product defines for itself (private names and the
    steps' run apart).
    """
    install("dev.lock")
    names = subprocess.run(
        ["git", "ls-tree", "-r", "--name-only", arguments[0]] if arguments else ["git", "ls-files"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.splitlines()
    defined: list[str] = []
    counts = {where: dict.fromkeys(COUNTED, (0, 0)) for where in ("product", "tests")}
    for name in names:
        kind, where = Path(name).suffix, "tests" if name.startswith("tests/") else "product"
        if (
            kind not in COUNTED
            or name.startswith("tests/cases/")
            or name.endswith(".min.js")
            or not (arguments or (ROOT / name).exists())
        ):
            continue
        if arguments:
            text = subprocess.run(
                ["git", "show", f"{arguments[0]}:{name}"], cwd=ROOT, capture_output=True, check=True
            ).stdout
        else:
            text = (ROOT / name).read_bytes()
        if kind == ".py":
            formatted = [str(PYTHON), "-m", "ruff", "format", "--config", str(ROOT / "pyproject.toml"), "-"]
            text = subprocess.run(formatted, input=text, capture_output=True, check=True).stdout
            if where == "product":
                defined += set(re.findall(rb"^(?:def |class )?([A-Za-z]\w+)(?= = |\(|:)", text, re.MULTILINE)) - {
                    b"run"
                }
        files, found = counts[where][kind]
        counts[where][kind] = (files + 1, found + text.count(b"\n"))
    for where, kinds in counts.items():
        listed = ", ".join(f"{kind[1:]} {found:,} in {files}" for kind, (files, found) in kinds.items() if files)
        print(f"{where}: {sum(found for _, found in kinds.values()):,} lines ({listed})")
    print(f"names said twice: {sum(n > 1 for n in Counter(defined).values())} of {len(set(defined)):,}")


def mutate(arguments: list[str]) -> None:
    install("dev.lock")
    run(PYTHON, "-m", "tests.mutation", *arguments)


def main(arguments: list[str]) -> None:
    if sys.version_info < (3, 11):
        raise SystemExit(f"dev.py: loopwear needs Python 3.11 or later, this is {sys.version.split()[0]}")
    commands = {"demo": demo, "test": test, "lines": lines, "mutate": mutate}
    if not arguments or arguments[0] not in commands:
        raise SystemExit(f"{__doc__}\n{USAGE}")
    commands[arguments[0]](arguments[1:])


if __name__ == "__main__":
    main(sys.argv[1:])
