"""The one error a user ever sees: what is wrong, where, and what to do about it."""

import difflib
from collections.abc import Iterable

MOST_NAMED = 40
"""Known words that a message lists: a register has thousands."""


class UserError(Exception):
    """A fault the user can cure.

    Parameters
    ----------
    what
        What is wrong, with the value seen.
    where
        The file, row, column or setting it was seen in.
    remedy
        What to do, with the exact command or key.

    Notes
    -----
    The command line prints the three parts without a traceback and exits with 1.

    Checked by: tests/unit/test_shared_errors.py
    """

    def __init__(self, what: str, where: str, remedy: str) -> None:
        super().__init__(what, where, remedy)
        self.what = what
        self.where = where
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.what}\n  where: {self.where}\n  to do: {self.remedy}"


def suggest_name(wrong: str, known: Iterable[str]) -> str:
    """Sentence naming the known words nearest to a wrong one, or the first of them when none is near."""
    names = list(known)
    ending = [name for name in names if wrong and name.endswith(wrong)]
    near = difflib.get_close_matches(wrong, names, n=3, cutoff=0.6) or ending[:3]
    if near:
        return "did you mean " + " or ".join(f"'{n}'" for n in near) + "?"
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return "known: " + ", ".join(sorted(names)[:MOST_NAMED]) + more
