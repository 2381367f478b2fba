"""What is said on a terminal: no text of the data makes it do anything."""

import re
from typing import Any, TextIO

CONTROLS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""What a terminal obeys instead of showing it: escapes, marks that turn a line about; and halves of characters."""


def visible(text: str) -> str:
    """A text whose control characters are written out, such as \\x1b; line ends and tabs stay.

    Checked by: tests/end_to_end/test_terminal.py
    """
    return CONTROLS.sub(lambda found: repr(found.group())[1:-1], text)


class Shown:
    """An output stream that lets no control character through, whoever wrote it into the data."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream

    def write(self, text: str) -> int:
        return self.stream.write(visible(text))

    def __getattr__(self, name: str) -> Any:
        return getattr(self.stream, name)
