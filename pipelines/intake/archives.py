"""Unpacks gz and zip files into a temporary folder, within limits, by names of our own."""

import gzip
import re
import zipfile
import zlib
from functools import reduce
from pathlib import Path, PurePosixPath
from typing import IO

from shared.errors import UserError

STEP_BYTES = 1 << 20
HARMLESS_BYTES = 50 * STEP_BYTES
"""Up to this size nothing is suspected."""
SUSPECT_RATIO = 200
"""Tables of text pack about 5 to 30 times; a file that unpacks further than this is a trap, or no table."""

ZIP_FAULTS = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OSError)
"""What a broken archive raises, or one locked by a password (a broken gz file is an OSError)."""

MOST_MEMBERS = 10_000
"""Files that one archive may hold: years of daily exports, and no more than a folder can bear."""
MOST_CELLS = 30_000_000
"""Cells that a sheet may span, from its first to its last: a million rows of thirty. The reader holds them all, and one
cell in the last corner of a sheet would make them 17 thousand million."""
CELL = re.compile(rb' r="([A-Z]{1,3})([0-9]{1,7})"')


def unpack(path: Path, folder: Path, limit_bytes: int) -> list[tuple[Path, str]]:
    """Files inside a gz or zip file, unpacked, each with what messages call it; any other file as it is.

    Parameters
    ----------
    folder
        Where to unpack to. Names inside the archive are never used as paths.
    limit_bytes
        Most that all files of the archive together may unpack to.

    Raises
    ------
    UserError
        The archive is broken, locked by a password, holds too many files or unpacks to more than the limit.

    Notes
    -----
    Archives within archives are not opened.

    Checked by: tests/unit/test_intake_formats.py (through load_paths)
    """
    suffix = path.suffix.casefold()
    if suffix not in (".gz", ".zip"):
        return [(path, path.name)]
    try:
        return _unpack_gz(path, folder, limit_bytes) if suffix == ".gz" else _unpack_zip(path, folder, limit_bytes)
    except (
        zipfile.BadZipFile,
        gzip.BadGzipFile,
        zlib.error,
        EOFError,
        NotImplementedError,
        OSError,
        ValueError,
    ) as fault:
        raise UserError(f"the archive cannot be unpacked: {fault}", str(path), "pack it again") from None


def _unpack_gz(path: Path, folder: Path, limit: int) -> list[tuple[Path, str]]:
    target = _target(folder, path.stem)
    with gzip.open(path) as packed, target.open("wb") as unpacked:
        _copy(packed, unpacked, path, path.stat().st_size, limit)
    return [(target, path.name)]


def _unpack_zip(path: Path, folder: Path, limit: int) -> list[tuple[Path, str]]:
    found = []
    with zipfile.ZipFile(path) as archive:
        members = [m for m in sorted(archive.infolist(), key=lambda m: m.filename) if not m.is_dir()]
        if len(members) > MOST_MEMBERS:
            what = f"the archive holds {len(members):,} files, more than {MOST_MEMBERS:,}"
            raise UserError(what, str(path), "put its tables together, or unpack it and load the folder")
        for member in members:
            if member.flag_bits & 1:
                what = f"'{member.filename}' is locked by a password"
                raise UserError(what, str(path), "unpack it and load the file")
            name = PurePosixPath(member.filename.replace("\\", "/")).name
            target = _target(folder, name)
            with archive.open(member) as packed, target.open("wb") as unpacked:
                limit -= _copy(packed, unpacked, path, member.compress_size, limit)
            found.append((target, f"{path.name}/{member.filename}"))
    return found


def check_workbook(path: Path, label: str) -> None:
    """A workbook is a zip file too: refuse one whose sheets are packed further than sheets of text can be, or too wide.

    Raises
    ------
    UserError
        It states more bytes than so small a file can hold, were it honest; or a sheet spans too many cells.

    Notes
    -----
    The sizes are those its directory states; a reader stops where they end.

    Checked by: tests/unit/test_intake_formats.py (through load_paths)
    """
    if not zipfile.is_zipfile(path):
        return
    try:
        with zipfile.ZipFile(path) as parts:
            stated = sum(member.file_size for member in parts.infolist())
            if stated > HARMLESS_BYTES and stated > SUSPECT_RATIO * path.stat().st_size:
                raise UserError(
                    f"the workbook unpacks to {stated // STEP_BYTES} MB, from {path.stat().st_size} bytes",
                    label,
                    "save the sheet you need as CSV",
                )
            sheets = [name for name in parts.namelist() if re.fullmatch(r"xl/worksheets/[^/]+\.xml", name)]
            cells = max((_count_span(parts.open(name)) for name in sheets), default=0)
    except ZIP_FAULTS as fault:
        raise UserError(f"the workbook cannot be opened: {fault}", label, "save it again as .xlsx, or as CSV") from None
    if cells > MOST_CELLS:
        what = f"a sheet of the workbook spans {cells:,} cells, more than {MOST_CELLS:,}"
        raise UserError(what, label, "clear the cells far from the table, or save the sheet as CSV")


def _count_span(sheet: IO[bytes]) -> int:
    """Cells in the smallest rectangle of rows and columns that holds all the cells of a sheet."""
    columns: set[bytes] = set()
    rows: set[bytes] = set()
    tail = b""
    while block := sheet.read(STEP_BYTES):
        found = CELL.findall(tail + block)
        columns.update(column for column, _ in found)
        rows.update(row for _, row in found)
        tail = block[-24:]
    if not rows:
        return 0
    places = [reduce(lambda place, letter: place * 26 + letter - 64, column, 0) for column in columns]
    numbers = [int(row) for row in rows]
    return (max(places) - min(places) + 1) * (max(numbers) - min(numbers) + 1)


def _target(folder: Path, name: str) -> Path:
    """A place of our own for a file: its last name alone, in a folder that no other has."""
    place = folder / str(sum(1 for _ in folder.iterdir()))
    place.mkdir()
    return place / (PurePosixPath(name).name or "unnamed")


def _copy(packed: IO[bytes] | gzip.GzipFile, unpacked: IO[bytes], path: Path, packed_bytes: int, limit: int) -> int:
    written = 0
    while block := packed.read(STEP_BYTES):
        written += len(block)
        bomb = written > HARMLESS_BYTES and written > SUSPECT_RATIO * max(packed_bytes, 1)
        if written > limit or bomb:
            raise UserError(
                f"the archive unpacks to more than {written // STEP_BYTES} MB, from {packed_bytes} bytes",
                str(path),
                "unpack it yourself and load the files, if they are what they should be",
            )
        unpacked.write(block)
    return written
