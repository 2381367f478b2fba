"""The package as it is built: all of it is in the wheel, and the demo runs from that alone."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

from shared import dictionary

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def call(*command: str | Path, cwd: Path) -> str:
    """Run without the checkout in sight; standard output."""
    environment = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "LOOPWEAR_SETTINGS")}
    done = subprocess.run(
        [str(part) for part in command], cwd=cwd, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    pip = (sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-index", "--no-build-isolation")
    call(*pip, "--wheel-dir", folder, ROOT, cwd=folder)
    (built,) = folder.iterdir()
    return built


def test_the_wheel_holds_every_file_of_the_product(wheel: Path) -> None:
    packages = PROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]
    wanted = {
        path.relative_to(ROOT).as_posix()
        for package in packages
        for path in (ROOT / package).rglob("*")
        if path.is_file() and path.suffix != ".pyc"
    }
    inside = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    assert {Path(name).suffix for name in inside} >= {".py", ".sql", ".toml", ".html", ".css", ".js"}
    assert inside == wanted


@pytest.mark.slow
def test_the_demo_runs_from_the_wheel_in_a_fresh_environment(wheel: Path, tmp_path: Path) -> None:
    home = tmp_path / "environment"
    venv.create(home)
    scripts, packages = (Path(sysconfig.get_path(n, vars={"base": str(home)})) for n in ("scripts", "purelib"))
    pip = (sys.executable, "-m", "pip", "--python", scripts / "python", "install", "--quiet", "--no-deps", "--no-index")
    call(*pip, wheel, cwd=tmp_path)
    # The libraries come from the environment of the tests. Named so, its own .pth files are not read, and with them the
    # editable install that would put the checkout in sight.
    (packages / "libraries.pth").write_text(sysconfig.get_path("purelib"), encoding="utf-8")
    seen = call(scripts / "python", "-c", "import sys, pipelines; print(pipelines.__file__, *sys.path)", cwd=tmp_path)
    assert Path(seen.split()[0]).is_relative_to(packages)
    assert str(ROOT) not in seen.split()
    assert call(scripts / "loopwear", "--version", cwd=tmp_path) == f"loopwear {PROJECT['project']['version']}\n"
    said = call(scripts / "loopwear", "demo", "--loops", "20", "--no-history", cwd=tmp_path)
    assert "settings: the defaults" in said
    assert {path.stem for path in (tmp_path / "workspace" / "exports").glob("*.csv")} == set(dictionary.export_tables())
    assert (tmp_path / "workspace" / "reports" / "index.html").stat().st_size > 5_000
