"""What is written is its owner's alone, unless a setting shares it; links out of a folder are not followed."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cases.small_utility import TABLES, with_changes, write_csv, write_utility

pytestmark = pytest.mark.skipif(os.name == "nt", reason="rights of that system are kept otherwise")


def run(*arguments: str | Path) -> str:
    """What a command says, started by a person whose files everybody may read by default."""
    done = subprocess.run(
        [sys.executable, "-m", "pipelines.cli", *(str(a) for a in arguments)],
        capture_output=True, text=True, umask=0o022, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def modes(folder: Path) -> dict[str, set[int]]:
    """Rights of the folders and of the files below a folder, links left out."""
    found: dict[str, set[int]] = {"folders": {stat.S_IMODE(folder.stat().st_mode)}, "files": set()}
    for path in folder.rglob("*"):
        if not path.is_symlink():
            found["folders" if path.is_dir() else "files"].add(stat.S_IMODE(path.stat().st_mode))
    return found


@pytest.fixture
def export(tmp_path: Path) -> Path:
    return write_utility(tmp_path / "export", jobs=with_changes("jobs", {}, {}, {"loop_id": "L9"}))


@pytest.mark.parametrize("is_shared, files, folders", [(False, 0o600, 0o700), (True, 0o660, 0o770)])
def test_everything_written_has_the_rights_of_the_settings(
    tmp_path: Path, export: Path, is_shared: bool, files: int, folders: int
) -> None:
    place = tmp_path / "workspace"
    if is_shared:
        place.mkdir()
        place.chmod(folders)
        (place / "settings.toml").write_text("[general]\nshared_with_group = true\n")
        (place / "settings.toml").chmod(files)
    run("load", export, "--workspace", place)
    run("refresh", "--workspace", place)
    assert modes(place) == {"folders": {folders}, "files": {files}}
    run("report", "--for", "index", "--to", tmp_path / "pages", "--workspace", place)
    run("quarantine", "--export", tmp_path / "mend" / "jobs.xlsx", "--workspace", place)
    run("draft-mapping", export / "jobs.csv", "--to", tmp_path / "drafted.toml", "--workspace", place)
    for written in (tmp_path / "pages", tmp_path / "mend"):
        assert modes(written) == {"folders": {folders}, "files": {files}}
    assert stat.S_IMODE((tmp_path / "drafted.toml").stat().st_mode) == files


def test_links_that_lead_out_of_a_folder_are_not_followed_and_told(tmp_path: Path, export: Path) -> None:
    outside = tmp_path / "outside"
    write_csv(outside / "terminals.csv", TABLES["terminals"])
    (export / "terminals.csv").unlink()
    (export / "terminals.csv").symlink_to(outside / "terminals.csv")
    (export / "more").symlink_to(outside)
    (export / "loops_again.csv").symlink_to(export / "loops.csv")  # one that stays within
    (export / "gone.csv").symlink_to(export / "nothing.csv")
    said = run("load", export, "--workspace", tmp_path / "workspace")
    assert "loops_again.csv" in said
    assert (
        "skipped, since neither name nor mapping says which table they hold or they are links out of the folder: 2 of "
        "the files in the folder (more (a link out of the folder), terminals.csv (a link out of the folder))\n" in said
    )
    assert run("load", export / "terminals.csv", "--workspace", tmp_path / "workspace").count("terminals.csv") == 1
