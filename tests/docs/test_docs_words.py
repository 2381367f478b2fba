"""Pages, messages, help, settings and guides speak plain words of the trade: none of the list below."""

from __future__ import annotations

import ast
import html
import re
from collections.abc import Iterator
from pathlib import Path

import typer.main

from pipelines import cli
from shared.store import Workspace

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("pipelines", "reports", "shared", "synthetic_data")

WORDS = {
    r"\b(?:stands?|stood)\b(?! (?:for|in for|out)\b| in[;,.])(?!-)": "is, is set to, rests on",
    r"\bagrees? with (?:the|a) tape\b": "matches the dug distance",
    r"\breads? (?:[\d.{}]+ % )?(?:true|far)\b|\breading far\b": "is accurate, reads long",
    r"\b(?:hangs?|hung) (?:on|together)\b(?! Ctrl)": "depends on, is linked",
    r"\bf[ae]ll(?:en)?\b[^.]{0,12} by itself\b": "corrected for regression to the mean",
    r"\bhead of the (?:list|ranking)\b": "first of the ranking",
    r"\brepays? (?:its|their)\b": "is worth",
    r"\bwhere they lie\b": "map",
    r"\bfailures caught\b": "failures captured",
    r"\breach(?:es)? down to\b": "overlap; is not separated from",
    r"\bproven that no\b": "within x % of the best possible choice (proven bound)",
    r"% of it on\b": "% of its expected failures are on",
    r"\b(?:dis)?believ\w+": "accepted, set aside as unreliable",
    r"\bin view\b": "observed",
    r"\bwhat ran\b": "run log",
    r"\bcured?s?\b": "remedy",
    r"\bon the way\b|(?-i:\bThe way)\b": "along the path; method",
    r"\ba hair\b": "slightly",
    r"\ba guest\b": "an optional part",
    r"\bthe roof\b": "entry points",
    r"\blet(?:s|ting)? go\b": "exclude, release",
    r"\bspoil\w*": "invalidate",
    r"\bmend(?:s|ed|ing)?\b": "correct",
    r"\bbeneath\b": "below",
    r"\bat the door\b": "when it is loaded",
    r"\b(?:held|hold|holds) against\b": "compared with",
    r"\bin silence\b": "silently",
    r"\bas (?:it|they) came\b": "as received",
    r"\bnot to be told\b|\bcannot be told(?! apart)": "unknown",
    r"\bset apart\b": "marked, excluded",
    r"\bpassed over\b": "ignored",
    r"\btaken apart\b": "split",
    r"\bfortnight\b": "two weeks",
    r"\bnineteen of twenty\b": "95 %",
    r"\bcondemn\w*": "put out of tolerance",
    r"\bthe signature of\b": "looks like",
    r"\bleads? one to\b": "is expected",
    r"\bearns? (?:its|their) place\b|\bmoney returns? itself\b": "is worth, returns its cost",
    r"\b(?:is|are) loose\b": "uncertain",
    r"\bholds? one side\b": "in a run on one side",
    r"\bhave come in\b": "are closed",
    r"\bbears? no\b|\bto be relied on\b": "has no; reliable",
    r"\bof old\b|\bnought\b|\bwhence\b|\bhitherto\b|\blest\b|\bthus\b|\bupon\b|\bshall\b|\bought\b": "leave out",
}
"""What is found (a pattern, in any case), and what is written instead."""

FOUND = re.compile("|".join(f"(?:{pattern})" for pattern in WORDS), re.IGNORECASE)

IN_CODE_LINES = re.compile(r"\bselect\b.*\bfrom\b", re.DOTALL)
"""A text that is SQL, whose comments are for those who read code."""

HEADINGS_OF_OTHERS = Path("shared/dictionary/aliases.py")
"""Words that utilities write in their own files, not ours."""


def phrases_in(place: str, text: str) -> list[str]:
    """Each phrase of the list in a text, with its place and surroundings."""
    text = " ".join(text.split())
    return [f"{place}: ...{text[max(0, m.start() - 40) : m.end() + 30]}..." for m in FOUND.finditer(text)]


def literals(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Texts of a module with their lines: f-strings in one, docstrings and strings that stand alone left out."""
    inside = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    inside |= {id(part) for n in ast.walk(tree) if isinstance(n, ast.JoinedStr) for part in n.values}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield node.lineno, "".join(str(p.value) if isinstance(p, ast.Constant) else "{}" for p in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in inside:
            yield node.lineno, node.value


def messages() -> Iterator[tuple[str, str]]:
    """Every text in the code that can reach a user."""
    for path in (p for package in PACKAGES for p in sorted((ROOT / package).rglob("*.py"))):
        name = path.relative_to(ROOT)
        if name != HEADINGS_OF_OTHERS:
            for line, text in literals(ast.parse(path.read_text(encoding="utf-8"))):
                if not IN_CODE_LINES.search(text):
                    yield f"{name}:{line}", text


def rendered(page: str) -> str:
    """What a page shows or can show: its text and the data of its charts, without its style and markup."""
    return html.unescape(re.sub(r"<style.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL))


def test_the_list_catches_phrases_and_spares_ordinary_uses() -> None:
    said = (
        "R-02 stands on 56 % of c and hangs on nobody; not believed\nby us; in\nview; what would have fallen by itself"
    )
    assert len(phrases_in("here", said)) == 5
    assert phrases_in("here", "one way or another, a stand-in stands for review; it lies 3 m off and was secured") == []
    tree = ast.parse('"""In view."""\nname = f"in {1} view"\n"mended"\nother = "it is mended"')
    assert [text for _, text in literals(tree)] == ["in {} view", "it is mended"]


def test_messages_settings_and_rules_use_plain_words() -> None:
    told = list(messages())
    assert len(told) > 3000
    assert [hit for place, text in told for hit in phrases_in(place, text)] == []


def test_help_uses_plain_words() -> None:
    for name, command in typer.main.get_command(cli.app).commands.items():
        context = typer.Context(command, info_name=name)
        assert phrases_in(f"{name} --help", f"{command.get_help(context)} {command.epilog}") == []


def test_guides_and_words_kept_in_tables_use_plain_words() -> None:
    tables = [p for package in PACKAGES for p in (ROOT / package).rglob("*.toml") if "mappings" not in p.parts]
    paths = sorted([*ROOT.glob("*.md"), *(p for package in PACKAGES for p in (ROOT / package).rglob("*.md")), *tables])
    assert {"README.md", "DEVELOPERS.md", "columns.toml"} <= {p.name for p in paths}
    assert [hit for p in paths for hit in phrases_in(str(p.relative_to(ROOT)), p.read_text(encoding="utf-8"))] == []


def test_pages_use_plain_words(demo_space: Workspace) -> None:
    pages = sorted(demo_space.reports.glob("*.html"))
    assert len(pages) > 5
    assert [hit for p in pages for hit in phrases_in(p.name, rendered(p.read_text(encoding="utf-8")))] == []
