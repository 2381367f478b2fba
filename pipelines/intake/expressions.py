"""Small safe expressions of a mapping's derived headers: read by Python's own parser, and nothing of them is run."""

import ast
import re
from dataclasses import dataclass
from typing import Literal

from shared.errors import suggest_name

Kind = Literal["text", "number", "stamp"]

MOST_CHARACTERS = 2_000
MOST_PARTS = 200
"""Parts of an expression, and levels of it: far more than a heading needs, far less than a parser bears."""

FUNCTIONS: dict[str, tuple[Kind, int, int, str]] = {
    "split": ("text", 3, 3, "split([A], '-', 2): the second part between the marks; -1 the last"),
    "join": ("text", 2, 50, "join([A], '-', [B]): the texts one after the other; empty where one of them is"),
    "lookup": ("text", 2, 3, "lookup([A], {'K': 'cable', 'S': 'splice'}): a text for a text; others stay, or a third"),
    "coalesce": ("text", 2, 50, "coalesce([A], [B]): the first that is not empty"),
    "upper": ("text", 1, 1, "upper([A])"),
    "lower": ("text", 1, 1, "lower([A])"),
    "trim": ("text", 1, 2, "trim([A]), trim([A], '#'): without blanks, or those marks, at both ends"),
    "minutes_between": (
        "number",
        2,
        3,
        "minutes_between([A], [B]): from stamp A to stamp B; a third says their format",
    ),
    "plus_minutes": ("stamp", 2, 3, "plus_minutes([A], [B]): stamp A and so many minutes; a third says its format"),
}
"""What an expression may call: the kind of its value, fewest and most arguments, and how it is written."""
STAMPED = ("minutes_between", "plus_minutes")
MOST_NUMBER = 1e15


@dataclass(frozen=True)
class Expression:
    """A derived header's expression: its text, the headers it reads, each once, and the kind of its value.

    In ``tree`` a header stands as a name: h0 for the first of ``headers``.
    """

    text: str
    headers: tuple[str, ...]
    kind: Kind
    tree: ast.expr

    @property
    def formats(self) -> tuple[str, ...]:
        """Formats of stamps that it states."""
        calls = [part for part in ast.walk(self.tree) if isinstance(part, ast.Call) and len(part.args) == 3]
        stated = [c.args[2] for c in calls if isinstance(c.func, ast.Name) and c.func.id in STAMPED]
        return tuple(str(format_.value) for format_ in stated if isinstance(format_, ast.Constant))


class ExpressionError(Exception):
    """What is wrong with an expression, and the cure."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what, remedy)
        self.what, self.remedy = what, remedy


def parse_expression(text: str) -> Expression:
    """An expression, checked part by part.

    Raises
    ------
    ExpressionError
        It cannot be parsed, or holds anything but headers, texts, numbers, + - * / and the functions.

    Notes
    -----
    Checked by: tests/unit/test_intake_expressions.py
    """
    if len(text) > MOST_CHARACTERS:
        raise ExpressionError(
            "it is too long", f"keep it under {MOST_CHARACTERS} characters, or derive it in two steps"
        )
    headers: dict[str, None] = {}

    def name(found: re.Match[str]) -> str:
        if found["header"] is None:
            return found[0]
        header = " ".join(found["header"].split())
        headers.setdefault(header)
        return f"(h{list(headers).index(header)})"

    source = re.sub(r"'(?:[^'\\]|\\.)*'|\"(?:[^\"\\]|\\.)*\"|\[(?P<header>[^\[\]]*)\]", name, text)
    try:
        tree = ast.parse(source.strip(), mode="eval").body
    except (SyntaxError, ValueError, MemoryError, RecursionError):
        raise ExpressionError(
            "it cannot be parsed", "write headers in brackets, texts in single quotes: split([Incident], '-', 2)"
        ) from None
    if sum(1 for _ in ast.walk(tree)) > MOST_PARTS:
        raise ExpressionError("it has too many parts", "derive it in several steps")
    return Expression(text, tuple(headers), _check(tree, len(headers)), tree)


def _check(node: ast.expr, headers: int) -> Kind:
    """The kind of a part's value; refuses what no expression may hold."""
    match node:
        case ast.Name(id=name) if re.fullmatch(r"h\d+", name) and int(name[1:]) < headers:
            return "text"
        case ast.Constant(value=str()):
            return "text"
        case ast.Constant(value=bool()):
            pass
        case ast.Constant(value=int() | float() as value) if abs(value) < MOST_NUMBER:
            return "number"
        case ast.BinOp(left=left, op=ast.Add() | ast.Sub() | ast.Mult() | ast.Div(), right=right):
            _number(_check(left, headers), left)
            _number(_check(right, headers), right)
            return "number"
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            _number(_check(operand, headers), operand)
            return "number"
        case ast.Call(func=ast.Name(id=called), args=args, keywords=[]) if called in FUNCTIONS:
            return _check_call(called, args, headers)
        case ast.Call(func=ast.Name(id=called)) if called not in FUNCTIONS:
            raise ExpressionError(f"there is no function '{called}'", suggest_name(called, FUNCTIONS))
        case ast.Name(id=word):
            raise ExpressionError(f"'{word}' is neither a header nor a text", f"write [{word}] or '{word}'")
    known = ", ".join(FUNCTIONS)
    raise ExpressionError(
        f"'{ast.unparse(node)[:60]}' is not allowed in it", f"use headers, texts, numbers, + - * / and {known}"
    )


def _number(kind: Kind, node: ast.expr) -> None:
    if kind == "stamp" or (kind == "text" and isinstance(node, ast.Constant)):
        what = f"'{ast.unparse(node)[:60]}' is no number"
        raise ExpressionError(what, "use minutes_between and plus_minutes for stamps, join for texts")


def _check_call(called: str, args: list[ast.expr], headers: int) -> Kind:
    kind, fewest, most, written = FUNCTIONS[called]
    wrong = ExpressionError(f"{called} is not written so", f"write it so: {written}")
    if not fewest <= len(args) <= most:
        raise wrong
    plain = args
    if called == "split":
        mark, place = args[1], _whole(args[2])
        if not isinstance(mark, ast.Constant) or not isinstance(mark.value, str) or not mark.value or not place:
            raise wrong
        plain = args[:1]
    elif called == "lookup":
        texts = args[1]
        if not isinstance(texts, ast.Dict) or not texts.keys:
            raise wrong
        if not all(isinstance(t, ast.Constant) and isinstance(t.value, str) for t in (*texts.keys, *texts.values)):
            raise wrong
        plain = [args[0], *args[2:]]
    elif called in (*STAMPED, "trim") and len(args) == most:
        last = args[-1]
        if not isinstance(last, ast.Constant) or not isinstance(last.value, str) or not last.value:
            raise wrong
        plain = args[:-1]
    kinds = [_check(arg, headers) for arg in plain]
    if called == "plus_minutes":
        _number(kinds[1], plain[1])
    return kind


def _whole(node: ast.expr) -> int | None:
    """A whole number written out, or None where a part is none."""
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        value = _whole(node.operand)
        return None if value is None else -value
    is_whole = isinstance(node, ast.Constant) and type(node.value) is int and abs(node.value) < 1_000
    return node.value if is_whole else None  # type: ignore[attr-defined]
