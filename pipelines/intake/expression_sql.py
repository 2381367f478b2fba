"""Derived headers: an expression of a mapping as SQL over the texts of a row."""

import ast
import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

from pipelines.intake.expressions import STAMPED, Expression
from pipelines.intake.typed import local_sql, number_sql, zoned_sql
from pipelines.intake.zones import instant_sql
from shared.store import quoted

DECIMALS = 9
"""Decimals of a number that was worked out: what a sum of binary fractions adds beyond them is noise."""

MOST_MINUTES = 100 * 366 * 24 * 60


@dataclass(frozen=True)
class Marks:
    """How the numbers and stamps of a file are written, and its zone where all its rows share one."""

    decimal: str | None = None
    formats: tuple[str, ...] = ()
    zone: str | None = None
    days: tuple[dt.date, ...] = ()


def derived_sql(expression: Expression, cells: Mapping[str, str], marks: Marks) -> str:
    """SQL of a derived header's text.

    Parameters
    ----------
    expression
        What the mapping says.
    cells
        SQL of the text, trimmed and null where blank, of each header it reads.
    marks
        How numbers and stamps are written.

    Notes
    -----
    Where a text is no number or stamp that should be one, or a stamp falls where a clock is changed, the texts stand
    as they are in place of the result: they cannot be read either, and are listed. A stamp comes in UTC where its
    zone is known, so that minutes are added to the instant and not to the clock on the wall.

    Checked by: tests/unit/test_intake_expressions.py
    """
    made = _Maker(cells, marks)
    value = made.text(expression.tree)
    if not made.leaves:
        return value
    lost = " or ".join(f"({text} is not null and {read} is null)" for text, read in made.leaves)
    all_given = " and ".join(f"{text} is not null" for text, _ in made.leaves)
    shown = f"concat_ws(' ', {', '.join(dict.fromkeys(text for text, _ in made.leaves))})"
    return f"coalesce({value}, case when {lost} or ({all_given}) then {shown} end)"


@dataclass
class _Maker:
    """Turns parts into SQL; ``leaves`` are the texts that were read as numbers or stamps, each with how.

    ``offsets`` say of each stamp whether its text states its offset.
    """

    cells: Mapping[str, str]
    marks: Marks
    leaves: list[tuple[str, str]] = field(default_factory=list)
    offsets: list[str] = field(default_factory=list)

    def text(self, node: ast.expr) -> str:
        match node:
            case ast.Name(id=name):
                return self.cells[name]
            case ast.Constant(value=str(value)):
                return quoted(value)
            case ast.Call(func=ast.Name(id=called), args=args) if called not in STAMPED:
                return self._called(called, args)
            case ast.Call(func=ast.Name(id="plus_minutes")):
                return self._written(self.stamp(node))
        number = f"regexp_replace(round({self.number(node)}, {DECIMALS})::varchar, '\\.0$', '')"
        return f"replace({number}, '.', ',')" if self.marks.decimal == "," else number

    def _called(self, called: str, args: list[ast.expr]) -> str:
        if called == "split":
            mark, place = (ast.literal_eval(arg) for arg in args[1:])
            return f"nullif(trim(split_part({self.text(args[0])}, {quoted(mark)}, {place})), '')"
        if called == "join":
            return "(" + " || ".join(self.text(arg) for arg in args) + ")"
        if called == "lookup":
            text, arms = self.text(args[0]), ast.literal_eval(args[1])
            found = " ".join(f"when {quoted(k.strip().casefold())} then {quoted(v)}" for k, v in arms.items())
            other = self.text(args[2]) if len(args) > 2 else text
            return f"case when {text} is not null then case lower({text}) {found} else {other} end end"
        if called == "trim" and len(args) > 1:
            return f"nullif(trim({self.text(args[0])}, {quoted(ast.literal_eval(args[1]))}), '')"
        return f"{called}({', '.join(self.text(arg) for arg in args)})"

    def number(self, node: ast.expr) -> str:
        match node:
            case ast.Constant(value=int() | float() as value):
                return repr(float(value))
            case ast.UnaryOp(operand=operand):
                return f"(-{self.number(operand)})"
            case ast.BinOp(left=left, op=op, right=right):
                one, two = self.number(left), self.number(right)
                if isinstance(op, ast.Div):
                    return f"({one} / nullif({two}, 0))"
                sign = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*"}[type(op)]
                return f"({one} {sign} {two})"
            case ast.Call(func=ast.Name(id="minutes_between"), args=args):
                return self._minutes(*(self.stamp(arg, args[2:]) for arg in args[:2]))
        text = self.text(node)
        read = number_sql(text, self.marks.decimal, 1.0)
        self.leaves.append((text, read))
        return read

    def stamp(self, node: ast.expr, format_said: list[ast.expr] | None = None) -> str:
        """SQL of a stamp: an instant where its zone is known, else the time of the clock on the wall."""
        match node:
            case ast.Call(func=ast.Name(id="plus_minutes"), args=args):
                start, minutes = self.stamp(args[0], args[2:]), self.number(args[1])
                whole = f"try_cast(round({minutes} * 60) as bigint)"
                return self._moved(start, f"case when abs({minutes}) < {MOST_MINUTES} then to_seconds({whole}) end")
        text = self.text(node)
        formats = (ast.literal_eval(format_said[0]),) if format_said else self.marks.formats
        local = local_sql(text, formats, self.marks.decimal)
        zoned = zoned_sql(text, formats, self.marks.decimal)
        if self.marks.zone:
            read = f"coalesce({zoned}, {instant_sql(local, quoted(self.marks.zone), self.marks.days)})"
        else:
            read = f"coalesce({local}, timezone('UTC', {zoned}))"
        self.leaves.append((text, read))
        self.offsets.append(f"{zoned} is not null")
        return read

    def _moved(self, start: str, interval: str) -> str:
        end = f"({start} + {interval})"
        return f"case when {self._plain(start, end)} then {end} end"

    def _minutes(self, start: str, end: str) -> str:
        return f"case when {self._plain(start, end)} then (epoch({end}) - epoch({start})) / 60 end"

    def _plain(self, start: str, end: str) -> str:
        """SQL that says whether no clock may have been changed between two times on the wall."""
        if self.marks.zone or not self.marks.days:
            return "true"
        listed = ", ".join(f"date '{day}'" for day in self.marks.days)
        one, two = f"({start})::date", f"({end})::date"
        return f"not list_bool_or([d between least({one}, {two}) and greatest({one}, {two}) for d in [{listed}]])"

    def _written(self, stamp: str) -> str:
        if self.marks.zone:
            return f"strftime(timezone('UTC', {stamp}), '%Y-%m-%d %H:%M:%SZ')"
        # the first stamp read is the one that minutes are added to
        ends = f"case when {self.offsets[0]} then 'Z' else '' end"
        return f"strftime({stamp}, '%Y-%m-%d %H:%M:%S') || {ends}"
