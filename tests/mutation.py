"""Do the tests notice a fault? Put small faults into the pure modules, one at a time, and run their topic's tests.

    python3 dev.py mutate --count 200 --seed 1 [PATHS]    PATHS: modules or folders; without any, all pure modules

A fault is drawn by line, so that long modules get more of them. The tests of the module run first, then the others of
its topic; both come from what the test files import and are named. A hang counts as caught. Nothing is written into
the tree: the faulty module lives in a forked process, and so does all that imports it.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import importlib
import itertools
import multiprocessing
import os
import random
import re
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from importlib.machinery import SourceFileLoader
from pathlib import Path

ROOT = Path.cwd()
PURE = ("pipelines/*/*.py", "shared/intervals.py", "shared/units.py")  # less step.py and intake, which read and write
KINDS = ("unit", "sql", "published", "properties", "simulated")
FIRST_PARTY = {"pipelines", "reports", "shared", "synthetic_data", "sql", "tests"}
GUARDS = {"strict", "validate", "copy", "dtype", "kind", "stacklevel"}
"""Keywords that only refuse bad input, save time, fix a type or settle ties: the figures are the same without them."""

_TWINS = "And Or|Is IsNot|In NotIn|Eq NotEq|Add Sub|Mult Div|BitAnd BitOr|min max|minimum maximum|any all|floor ceil"
SWAPS = {a: (b,) for pair in _TWINS.split("|") for a, b in (pair.split(), pair.split()[::-1])}
SWAPS |= {"Lt": ("LtE", "GtE"), "LtE": ("Lt", "Gt"), "Gt": ("GtE", "LtE"), "GtE": ("Gt", "Lt")}
SWAPS |= {"FloorDiv": ("Div",), "Mod": ("Mult",), "Pow": ("Mult",), "argmin": ("argmax",), "argmax": ("argmin",)}


def faulty(node: ast.AST) -> Iterator[ast.AST]:
    """What the node could wrongly have been."""

    def changed(**fields: object) -> ast.AST:
        other = copy.copy(node)
        for name, value in fields.items():
            setattr(other, name, value)
        return other

    match node:
        case ast.Compare(ops=ops):
            for at, op in enumerate(ops):
                for swap in SWAPS[type(op).__name__]:
                    yield changed(ops=[*ops[:at], getattr(ast, swap)(), *ops[at + 1 :]])
        case ast.BinOp(op=op) | ast.BoolOp(op=op) | ast.AugAssign(op=op):
            for swap in SWAPS.get(type(op).__name__, ()):
                yield changed(op=getattr(ast, swap)())
            if isinstance(node, ast.AugAssign):
                yield ast.Pass()
        case ast.UnaryOp(operand=operand):
            yield operand
        case ast.Constant(value=bool(value)):
            yield ast.Constant(not value)
        case ast.Constant(value=int(value)):
            yield from (ast.Constant(value + 1), ast.Constant(value - 1))
        case ast.Constant(value=float(value)) if not 0 < abs(value) < 1e-6:  # smaller ones guard against nought
            yield from (ast.Constant(value * 1.1), ast.Constant(0.0)) if value else (ast.Constant(1.0),)
        case ast.Name(id=name) if name in SWAPS:
            yield changed(id=SWAPS[name][0])
        case ast.Attribute(attr=name) if name in SWAPS:
            yield changed(attr=SWAPS[name][0])
        case ast.Call(keywords=keywords):
            for at, keyword in enumerate(keywords):
                if keyword.arg and keyword.arg not in GUARDS:
                    yield changed(keywords=keywords[:at] + keywords[at + 1 :])
        case ast.If(test=test) | ast.IfExp(test=test) | ast.While(test=test):
            yield changed(test=ast.UnaryOp(ast.Not(), test))
        case ast.Return(value=value) if value and ast.unparse(value) != "None":
            yield ast.Return(ast.Constant(None))
        case ast.Expr(value=ast.Call()) | ast.Assign(targets=[ast.Subscript() | ast.Attribute()]):
            yield ast.Pass()
        case ast.Raise() | ast.Break() | ast.Continue():
            yield ast.Pass()


def faults(node: ast.AST) -> Iterator[tuple[ast.AST, str, int | None, ast.AST, ast.AST]]:
    """All faults below a node, in order: parent, field, place in the field, node, what it becomes. None in types."""
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list"):
            continue
        for at, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if isinstance(child, ast.AST):
                yield from ((node, field, at, child, other) for other in faulty(child))
                yield from faults(child)


def plant(source: str, number: int) -> tuple[ast.Module, str, str]:
    """The module with one fault of its list, and the code there before and after."""
    tree = ast.parse(source)
    parent, field, at, node, other = next(itertools.islice(faults(tree), number, None))
    if at is None:
        setattr(parent, field, other)
    else:
        getattr(parent, field)[at] = other
    before, after = (ast.unparse(n).split("\n")[0] for n in (node, ast.copy_location(other, node)))
    return ast.fix_missing_locations(tree), before, after


def draw(modules: list[Path], count: int, seed: int) -> list[tuple[Path, int, int]]:
    """Module, number and line of each fault drawn: lines first, then one of the faults of the line."""
    lines: dict[tuple[Path, int], list[int]] = {}
    for path in modules:
        for number, (_, _, _, node, _) in enumerate(faults(ast.parse(path.read_text(encoding="utf-8")))):
            lines.setdefault((path, node.lineno), []).append(number)
    drawn = random.Random(seed)
    taken = drawn.sample(sorted(lines), min(count, len(lines)))
    return sorted((path, drawn.choice(lines[path, line]), line) for path, line in taken)


def name_of(path: Path) -> str:
    return ".".join(path.with_suffix("").parts)


def topic_of(path: Path) -> str:
    return path.parts[1] if path.parts[0] == "pipelines" else path.parts[0]


def imported(path: Path) -> set[str]:
    """Every name a file imports, dotted: the module and what it takes from it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def tests_of(module: Path, imports: dict[Path, set[str]]) -> tuple[list[Path], list[Path]]:
    """The test files of a module (they import it, bear its name, or it names them), and the others of its topic."""
    topic, stem = topic_of(module), f"test_{topic_of(module)}_{module.stem}"
    promised = set(re.findall(r"tests/\w+/test_\w+\.py", module.read_text(encoding="utf-8")))
    first = [p for p, names in imports.items() if name_of(module) in names or p.stem == stem or str(p) in promised]
    package = "" if topic == "shared" else f"pipelines.{topic}"
    others = [
        p
        for p, names in imports.items()
        if p.stem.startswith(f"test_{topic}_") or (package and any(n.startswith(package) for n in names))
    ]
    return sorted(first, key=lambda p: (KINDS.index(p.parts[1]), p)), [p for p in others if p not in first]


def run_tests(groups: list[list[Path]], scratch: str, name: str = "", tree: ast.Module | None = None) -> None:
    """In a forked process: put the faulty module in place, run the groups of tests, leave by the first that fails."""
    import pytest

    os.setsid()
    if tree is not None:
        sound = SourceFileLoader.get_code
        SourceFileLoader.get_code = lambda self, module: (
            compile(tree, self.path, "exec") if module == name else sound(self, module)
        )
    with open(Path(scratch) / "out", "w") as out:  # noqa: PTH123
        os.dup2(out.fileno(), 1)
        os.dup2(out.fileno(), 2)
    base = f"--basetemp={scratch}/base"
    options = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--hypothesis-seed=0", base]
    for number, group in enumerate(groups):
        if group and (code := pytest.main([*options, *map(str, group)])):
            os._exit(10 * number + int(code))
    os._exit(0)


def fork(limit: float, *arguments: object) -> int | None:
    """Exit code of run_tests in a child, None when it was stopped at the time limit."""
    child = multiprocessing.get_context("fork").Process(target=run_tests, args=arguments)
    child.start()
    child.join(limit)
    code = child.exitcode
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(child.pid or 0, signal.SIGKILL)
    child.join()
    return code


def main() -> None:
    parser = argparse.ArgumentParser(prog="dev.py mutate", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("paths", nargs="*", type=Path, help="modules or folders (default: all pure modules)")
    parser.add_argument("--count", type=int, default=100, help="faults to try")
    parser.add_argument("--seed", type=int, default=1, help="which faults are drawn")
    asked = parser.parse_args()

    modules = [p.relative_to(ROOT) for pattern in PURE for p in ROOT.glob(pattern)]
    modules = [p for p in modules if p.name not in ("__init__.py", "step.py") and topic_of(p) != "intake"]
    if asked.paths:
        wanted = [p.resolve().relative_to(ROOT) for p in asked.paths]
        modules = [p for p in modules if any(w in (p, *p.parents) for w in wanted)]
    tests = sorted(p.relative_to(ROOT) for kind in KINDS for p in ROOT.glob(f"tests/{kind}/test_*.py"))
    imports = {p: imported(p) for p in tests}
    drawn = draw(sorted(modules), asked.count, asked.seed)

    sys.dont_write_bytecode = True
    for name in sorted(set().union(*imports.values(), *map(imported, modules))):
        if name.split(".")[0] not in FIRST_PARTY:
            with contextlib.suppress(ImportError):  # also a name inside a module: its module is imported anyway
                importlib.import_module(name)

    counts: dict[str, list[int]] = {}
    survivors, limits = [], {}
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = f"{scratch}/hypothesis"
        for path, number, line in drawn:
            topic, groups = topic_of(path), tests_of(path, imports)
            if topic not in limits:
                began = time.monotonic()
                every = {test for p, *_ in drawn if topic_of(p) == topic for g in tests_of(p, imports) for test in g}
                if fork(3600, [sorted(every)], scratch):
                    print((Path(scratch) / "out").read_text(encoding="utf-8"))
                    raise SystemExit(f"dev.py mutate: the tests of {topic} fail without any fault")
                limits[topic] = 30 + 3 * (time.monotonic() - began)
            began = time.monotonic()
            tree, before, after = plant((ROOT / path).read_text(encoding="utf-8"), number)
            code = fork(limits[topic], groups, scratch, name_of(path), tree)
            fate = "hang" if code is None else "SURVIVES" if code in (0, 5) else "caught" if code < 10 else "by others"
            print(f"{fate:9} {time.monotonic() - began:5.1f} s  {path}:{line}  {before}  ->  {after}", flush=True)
            tally = counts.setdefault(topic, [0, 0])
            tally[0] += 1
            tally[1] += fate != "SURVIVES"
            survivors += [f"{path}:{line}\n    - {before}\n    + {after}"] if fate == "SURVIVES" else []

    print(f"\nseed {asked.seed}: survivors\n" + "\n".join(survivors or ["none"]) + "\n")
    counts["all"] = [sum(column) for column in zip(*counts.values(), strict=True)]
    for topic, (tried, caught) in counts.items():
        print(f"{topic:12} {tried:4} faults {caught:4} caught {100 * caught / tried:6.1f} %")


if __name__ == "__main__":
    main()
