"""A mapping that no reader could follow is refused with its line, before any file is opened."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.intake.mapping_file import parse_mapping_text
from shared.errors import UserError


@pytest.mark.parametrize(
    "line, what, remedy",
    [
        (
            'delimiter = "\\""',
            "delimiter = '\"' is not one mark",
            "give one mark such as ';', or leave it out to have it found",
        ),
        ('decimal = "·"', "decimal = '·' is not one mark", "give '.' or ','"),
        ("skip_rows = -1", "skip_rows = -1 is no number of rows to skip", "give a whole number from 0 to 100000"),
        (
            "skip_after_header = 9000000000000000000",
            "skip_after_header = 9000000000000000000 is no number of rows to skip",
            "give a whole number from 0 to 100000",
        ),
        (
            'encoding = "zlib"',
            "encoding 'zlib' is not known",
            "give one such as utf-8, utf-16, cp1252 or latin-1, or leave it out to have it found",
        ),
        (
            'formats = ["%d/%m/%Y", "%Q"]',
            (
                "formats holds '%Q': Invalid Input Error: Failed to parse format specifier %Q: Unrecognized format for "
                "strftime/strptime: %Q"
            ),
            "give marks such as %d/%m/%Y %H:%M",
        ),
    ],
)
def test_a_block_that_cannot_be_followed_is_refused_with_its_line(line: str, what: str, remedy: str) -> None:
    with pytest.raises(UserError) as caught:
        parse_mapping_text(f'[[table]]\nto = "jobs"\n{line}\n', Path("some.toml"))
    assert str(caught.value) == f"{what}\n  where: some.toml, line 3\n  to do: {remedy}"
