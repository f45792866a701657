"""Mutation testing: change one thing in the code at a time and see whether a fast test fails.

    python tests/benchmarks/mutation.py flightproc/rig flightproc/moment/shares.py
    python tests/benchmarks/mutation.py flightproc/moment --sample 0.15 --seed 1 --out moment.jsonl
    python tests/benchmarks/mutation.py flightproc/moment --again moment.jsonl --out moment2.jsonl

Prints for each module how many mutants were killed, survived, ran out of time or are reached by no test, and
lists those that were not killed. It only prints: nothing is asserted and no file of the tree is changed.

How it works. pytest collects once: the tests of the rooms named, the published checks and the doctests. Each
test is run alone for its time, then under a trace that notes the lines it reaches; a test slower than
``--slowest`` seconds of processor time is left out. Each mutant is a fork of that process in which the code
object of one function is replaced; the tests that reach the changed statement run, fastest first, until one
fails. So a mutant costs a fork and a few tests, not a new interpreter and a new collection.

What is changed, all inside function bodies: arithmetic operators, comparisons (one step and turned round),
``and`` and ``or``, ``not``, minus signs, conditions, numbers (one more), ``True`` and ``False``, keys
(strings without a space), pairs such as ``min`` and ``max``, keyword arguments (left out), statements of one
call and augmented assignments (left out). Not changed: texts, f-strings, what stands in ``raise``,
annotations, defaults of arguments and constants of a module.
"""

from __future__ import annotations
import __future__

import argparse
import ast
import copy
import gc
import importlib
import json
import os
import random
import resource
import signal
import sys
import time
import types
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from _pytest.runner import runtestprotocol

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div,
    ast.Mod: ast.Div,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}
COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
PAIRS = [("min", "max"), ("minimum", "maximum"), ("argmin", "argmax"), ("nanmin", "nanmax"), ("any", "all")]
PAIRS += [("sin", "cos"), ("floor", "ceil"), ("zeros", "ones"), ("break", "continue"), ("mean", "median")]
TWINS = dict(PAIRS) | {b: a for a, b in PAIRS}


@dataclass(frozen=True)
class Mutant:
    """One change: where it is, its kind, what it says, the lines of its statement, the function's code."""

    module: str
    function: tuple[str, int]
    key: str
    kind: str
    text: str
    lines: range
    code: types.CodeType

    @property
    def file(self) -> str:
        """The module's path."""
        return self.code.co_filename


class Finder:
    """Every mutant of one module."""

    def __init__(self, path: Path) -> None:
        self.path = path.relative_to(ROOT)
        self.name = ".".join(self.path.with_suffix("").parts).removesuffix(".__init__")
        self.source = str(path)
        self.found: list[Mutant] = []
        self.seen: Counter[str] = Counter()

    def all(self) -> list[Mutant]:
        """Return the mutants, in the order of the source."""
        self.scopes(ast.parse(Path(self.source).read_text(encoding="utf-8")), "")
        return self.found

    def scopes(self, node: ast.AST, prefix: str) -> None:
        """Look for functions in a module or class body."""
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.ClassDef):
                self.scopes(child, f"{prefix}{child.name}.")
            elif isinstance(child, ast.FunctionDef):
                first = min([child.lineno, *(each.lineno for each in child.decorator_list)])
                self.function = (f"{prefix}{child.name}", first)
                self.tree = self.alone(child, prefix)
                self.body(child.body)
            elif isinstance(child, (ast.If, ast.Try)):
                self.scopes(child, prefix)

    @staticmethod
    def alone(function: ast.FunctionDef, prefix: str) -> ast.Module:
        """Return a module of one function inside its classes, without its decorators."""
        bare = copy.copy(function)
        bare.decorator_list = []
        inner: ast.stmt = bare
        for name in reversed(prefix.split(".")[:-1]):
            inner = ast.ClassDef(name=name, bases=[], keywords=[], body=[inner], decorator_list=[])
        return ast.fix_missing_locations(ast.Module(body=[inner], type_ignores=[]))

    def body(self, statements: list[ast.stmt]) -> None:
        """Mutate each statement of a body in turn."""
        for position, statement in enumerate(statements):
            self.position = statements, position
            if isinstance(statement, (ast.FunctionDef, ast.ClassDef)):
                self.body(statement.body)
                continue
            if isinstance(statement, (ast.Raise, ast.Import, ast.ImportFrom)):
                continue
            if isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant):
                continue
            inner = [value for _, value in ast.iter_fields(statement) if self.is_body(value)]
            if inner:
                header = [each for each in ast.iter_child_nodes(statement) if isinstance(each, ast.expr)]
                header += [item.context_expr for item in getattr(statement, "items", [])]
                last = max([each.end_lineno or each.lineno for each in header], default=statement.lineno)
            else:
                last = statement.end_lineno or statement.lineno
            self.lines = range(statement.lineno, last + 1)
            self.statement = statement
            self.own(statement)
            for value in inner:
                self.body(value)
            for handler in getattr(statement, "handlers", []):
                self.body(handler.body)
            for case in getattr(statement, "cases", []):
                self.body(case.body)

    @staticmethod
    def is_body(value: object) -> bool:
        """Tell whether a field of a statement is a list of statements."""
        return isinstance(value, list) and bool(value) and isinstance(value[0], ast.stmt)

    def own(self, statement: ast.stmt) -> None:
        """Mutate a statement itself, then its expressions."""
        call = isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Call)
        if call or isinstance(statement, ast.AugAssign):
            self.swap_statement("statement", ast.Pass(), "left out")
        if isinstance(statement, ast.Break):
            self.swap_statement("loop", ast.Continue(), "continue")
        if isinstance(statement, ast.Continue):
            self.swap_statement("loop", ast.Break(), "break")
        if isinstance(statement, ast.AugAssign) and type(statement.op) in ARITHMETIC:
            self.field(statement, "op", ARITHMETIC[type(statement.op)](), "arithmetic")
        for name, value in ast.iter_fields(statement):
            if name in ("annotation", "returns") or self.is_body(value) or name in ("handlers", "cases"):
                continue
            self.expressions(statement, name, value)

    def expressions(self, parent: ast.AST, name: str, value: object) -> None:
        """Mutate the expression in one field of its parent, and what is inside it."""
        if isinstance(value, list):
            for index, each in enumerate(value):
                if isinstance(each, ast.AST):
                    self.expression(value, index, each, parent)
        elif isinstance(value, ast.AST):
            self.expression(parent, name, value, parent)

    def expression(self, holder: object, place: object, node: ast.AST, parent: ast.AST) -> None:
        """Mutate one expression: each change is made, written down and taken back."""
        if isinstance(node, (ast.JoinedStr, ast.stmt)):
            return
        if isinstance(node, ast.BinOp) and type(node.op) in ARITHMETIC:
            self.field(node, "op", ARITHMETIC[type(node.op)](), "arithmetic")
        elif isinstance(node, ast.Compare):
            for index, operator in enumerate(node.ops):
                for step, other in enumerate(COMPARISONS[type(operator)]):
                    ordered = isinstance(operator, ast.Lt | ast.LtE | ast.Gt | ast.GtE)
                    kind = "boundary" if step == 0 and ordered else "comparison"
                    self.place(node.ops, index, other(), kind, node)
        elif isinstance(node, ast.BoolOp):
            self.field(node, "op", ast.Or() if isinstance(node.op, ast.And) else ast.And(), "logic")
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
            kind = "sign" if isinstance(node.op, ast.USub) else "logic"
            self.place(holder, place, node.operand, kind, node)
        elif isinstance(node, ast.Constant):
            self.constant(holder, place, node, parent)
        elif isinstance(node, ast.Call):
            for index, keyword in enumerate(node.keywords):
                rest = [*node.keywords[:index], *node.keywords[index + 1 :]]
                self.field(node, "keywords", rest, "keyword", f"without {keyword.arg}")
        elif isinstance(node, ast.Attribute) and node.attr in TWINS:
            self.field(node, "attr", TWINS[node.attr], "twin")
        elif isinstance(node, ast.Name) and node.id in TWINS and isinstance(node.ctx, ast.Load):
            self.field(node, "id", TWINS[node.id], "twin")
        condition = place == "test" and isinstance(parent, ast.If | ast.IfExp | ast.While)
        if condition and not isinstance(node, ast.Compare | ast.BoolOp | ast.UnaryOp):
            self.place(holder, place, ast.UnaryOp(ast.Not(), node), "logic", node)
        for name, value in ast.iter_fields(node):
            self.expressions(node, name, value)

    def constant(self, holder: object, place: object, node: ast.Constant, parent: ast.AST) -> None:
        """Mutate a number, a truth value or a key."""
        value = node.value
        if isinstance(value, bool):
            self.place(holder, place, ast.Constant(not value), "truth", node)
        elif isinstance(value, int | float):
            self.place(holder, place, ast.Constant(value + 1), "number", node)
        elif (
            isinstance(value, str)
            and value
            and " " not in value
            and not isinstance(parent, ast.FormattedValue)
        ):
            self.place(holder, place, ast.Constant(value + "X"), "key", node)

    def field(self, node: ast.AST, name: str, other: object, kind: str, text: str = "") -> None:
        """Note the mutant with another value in one field of a node."""
        old, before = getattr(node, name), ast.unparse(node)
        setattr(node, name, other)
        self.note(kind, text or f"{before} -> {ast.unparse(ast.fix_missing_locations(node))}")
        setattr(node, name, old)

    def place(self, holder: object, place: object, other: ast.AST, kind: str, shown: ast.AST) -> None:
        """Note the mutant with another node in a list or a field."""
        before = ast.unparse(shown)
        ast.copy_location(other, shown)
        if isinstance(holder, list):
            old, holder[place] = holder[place], other  # type: ignore[call-overload]
        else:
            old = getattr(holder, str(place))
            setattr(holder, str(place), other)
        after = ast.unparse(shown if isinstance(other, ast.cmpop) else other)
        self.note(kind, f"{before} -> {after}")
        if isinstance(holder, list):
            holder[place] = old  # type: ignore[call-overload]
        else:
            setattr(holder, str(place), old)

    def swap_statement(self, kind: str, other: ast.stmt, text: str) -> None:
        """Note the mutant with another statement."""
        statements, position = self.position
        shown = ast.unparse(self.statement)
        statements[position] = ast.copy_location(other, self.statement)
        self.note(kind, f"{shown} -> {text}")
        statements[position] = self.statement

    def note(self, kind: str, text: str) -> None:
        """Write the tree as it now is down as a mutant."""
        text = " ".join(text.split())
        key = f"{self.path}::{self.function[0]}::{kind}::{text}"
        self.seen[key] += 1
        key = f"{key}#{self.seen[key]}"
        flags = __future__.annotations.compiler_flag
        whole = compile(ast.fix_missing_locations(self.tree), self.source, "exec", flags, dont_inherit=True)
        code = next(each for each in codes(whole) if each.co_qualname == self.function[0])
        self.found.append(Mutant(self.name, self.function, key, kind, text, self.lines, code))


def codes(code: types.CodeType) -> Iterator[types.CodeType]:
    """Yield the code objects inside one, at any depth."""
    for constant in code.co_consts:
        if isinstance(constant, types.CodeType):
            yield constant
            yield from codes(constant)


def functions(files: list[Path]) -> dict[tuple[str, str, int], list[types.FunctionType]]:
    """Return the functions of some modules by file, name and first line."""
    found: dict[tuple[str, str, int], list[types.FunctionType]] = {}
    names = {str(path) for path in files}
    for thing in gc.get_objects():
        if isinstance(thing, types.FunctionType) and thing.__code__.co_filename in names:
            code = thing.__code__
            key = (code.co_filename, code.co_qualname, code.co_firstlineno)
            found.setdefault(key, []).append(thing)
    return found


def run(item: pytest.Item, following: pytest.Item | None) -> bool:
    """Run one test and tell whether it passed."""
    return all(not report.failed for report in runtestprotocol(item, log=False, nextitem=following))


def in_child(work: object, seconds: float) -> tuple[int, bytes]:
    """Run a function in a fork with a limit of processor time; return its exit status and what it wrote."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        code = 3
        try:
            os.close(reading)
            silent = os.open(os.devnull, os.O_RDWR)
            for stream in (0, 1, 2):
                os.dup2(silent, stream)
            signal.signal(signal.SIGXCPU, signal.SIG_DFL)
            resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 1, int(seconds) + 3))
            code, answer = work()  # type: ignore[operator]
            with os.fdopen(writing, "wb") as stream_out:
                stream_out.write(answer)
        finally:
            os._exit(code)
    os.close(writing)
    with os.fdopen(reading, "rb") as stream_in:
        answer = stream_in.read()
    _, status = os.waitpid(child, 0)
    return (-1 if os.WIFSIGNALED(status) else os.WEXITSTATUS(status)), answer


class Session:
    """A pytest plugin that takes the place of its loop over the tests."""

    def __init__(self, options: argparse.Namespace, files: list[Path]) -> None:
        self.options = options
        self.files = files
        self.rows: list[dict[str, object]] = []

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Time and trace the tests, then try every mutant."""
        for path in self.files:
            importlib.import_module(Finder(path).name)
        gc.collect()
        self.functions = functions(self.files)
        gc.freeze()
        began = time.process_time()
        reached: dict[str, list[int]] = {}
        seconds: dict[int, float] = {}
        for index, item in enumerate(session.items):
            code, answer = in_child(lambda one=item: self.baseline(one), 2 * self.options.slowest)
            if code == 0:
                seconds[index], lines = json.loads(answer)
                for line in lines:
                    reached.setdefault(line, []).append(index)
        fast = sorted(seconds, key=seconds.__getitem__)
        say(f"{len(session.items)} tests, {len(fast)} pass within {self.options.slowest} s and are used\n")
        again: set[str] | None = None
        if self.options.again:
            rows = [json.loads(each) for each in self.options.again.read_text(encoding="utf-8").splitlines()]
            names = {Finder(path).name for path in self.files}
            again = {row["key"] for row in rows if alive(row) and row["module"] in names}
            self.rows = [row for row in rows if row["key"] not in again]
        choose = random.Random(self.options.seed)
        with open(self.options.out or os.devnull, "w", encoding="utf-8") as out:
            for row in self.rows:
                print(json.dumps(row), file=out)
            for mutant in (mutant for path in self.files for mutant in Finder(path).all()):
                if (choose.random() < self.options.sample) if again is None else (mutant.key in again):
                    hit = {i for each in mutant.lines for i in reached.get(f"{mutant.file}:{each}", [])}
                    chosen = {session.items[index]: seconds[index] for index in fast if index in hit}
                    self.rows.append(self.tried(mutant, chosen))
                    print(json.dumps(self.rows[-1]), file=out, flush=True)
        spent = resource.getrusage(resource.RUSAGE_CHILDREN)
        say(f"processor time {spent.ru_utime + spent.ru_stime + time.process_time() - began:.0f} s\n")
        return True

    def tried(self, mutant: Mutant, tests: dict[pytest.Item, float]) -> dict[str, object]:
        """Return what became of one mutant; ``tests`` with the processor time of each."""
        result, by = "no test", ""
        if tests:
            code, answer = in_child(lambda: self.trial(mutant, list(tests)), 3 + 5 * sum(tests.values()))
            result = {0: "survived", 1: "killed", -1: "timeout"}.get(code, f"broken {code}")
            by = answer.decode()
        row: dict[str, object] = {"module": mutant.module, "line": mutant.lines.start, "kind": mutant.kind}
        return row | {"text": mutant.text, "result": result, "by": by, "tests": len(tests), "key": mutant.key}

    def baseline(self, item: pytest.Item) -> tuple[int, bytes]:
        """Time one test, then trace which lines it reaches if it is fast and passes."""
        wanted = {str(path) for path in self.files}
        began = time.process_time()
        passed = run(item, None)
        seconds = time.process_time() - began
        if not passed or seconds > self.options.slowest:
            return 1, b""
        reached: set[str] = set()

        def local(frame: types.FrameType, event: str, _: object) -> object:
            reached.add(f"{frame.f_code.co_filename}:{frame.f_lineno}")
            return local

        def trace(frame: types.FrameType, event: str, _: object) -> object:
            return local(frame, event, _) if frame.f_code.co_filename in wanted else None

        sys.settrace(trace)  # type: ignore[arg-type]
        run(item, None)
        sys.settrace(None)
        return 0, json.dumps([seconds, sorted(reached)]).encode()

    def trial(self, mutant: Mutant, items: list[pytest.Item]) -> tuple[int, bytes]:
        """Run the tests on one mutant until one fails."""
        gc.disable()
        there = self.functions.get((mutant.file, *mutant.function), [])
        if not there:
            return 4, b""
        for each in there:
            each.__code__ = mutant.code
        for item in items:
            if not run(item, None):
                return 1, item.nodeid.encode()
        return 0, b""


def say(text: str) -> None:
    """Print past pytest's capture."""
    sys.__stdout__.write(text)  # type: ignore[union-attr]
    sys.__stdout__.flush()  # type: ignore[union-attr]


def main() -> None:
    """Read the command line, run, print the score."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("targets", nargs="+", type=Path, help="modules or rooms of flightproc/")
    parser.add_argument(
        "--sample", type=float, default=1.0, help="part of the mutants to try, drawn by --seed"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--tests", nargs="*", help="folders of tests; those of the rooms and the published ones"
    )
    parser.add_argument("--slowest", type=float, default=0.5, help="longest test used, s of processor time")
    parser.add_argument("--out", type=Path, help="write one JSON line a mutant")
    parser.add_argument("--again", type=Path, help="such a file: try again only what it did not kill")
    options = parser.parse_args()
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    targets = [each.resolve() for each in options.targets]
    files = [path for each in targets for path in (sorted(each.rglob("*.py")) if each.is_dir() else [each])]
    rooms = sorted({path.relative_to(ROOT).parts[1] for path in files})
    tests = options.tests or [f"tests/{room}" for room in rooms] + [
        f"flightproc/{room}" for room in rooms
    ] + ["tests/published"]
    os.chdir(ROOT)
    session = Session(options, files)
    quiet = ["-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--capture=no"]
    pytest.main([*quiet, *tests], plugins=[session])
    print(f"{'module':42} {'killed':>7} {'timeout':>7} {'survived':>8} {'no test':>7} {'score':>6}")
    total: Counter[str] = Counter()
    for name in sorted({str(row["module"]) for row in session.rows}):
        count = Counter(str(row["result"]) for row in session.rows if row["module"] == name)
        total += count
        print(line(name, count))
    print(line("together", total))
    print("\nnot killed by kind:", dict(Counter(str(row["kind"]) for row in session.rows if alive(row))))
    for row in session.rows:
        if alive(row):
            print(f"{row['module']}:{row['line']} [{row['result']}] {row['kind']}: {row['text']}")


def alive(row: dict[str, object]) -> bool:
    """Tell whether no test noticed a mutant."""
    return row["result"] not in ("killed", "timeout")


def line(name: str, count: Counter[str]) -> str:
    """Return one line of the table; the score is over all mutants tried, those without a test included."""
    dead, whole = count["killed"] + count["timeout"], sum(count.values())
    rest = "".join(f"  {key}: {count[key]}" for key in count if key.startswith("broken"))
    return (
        f"{name:42} {count['killed']:7} {count['timeout']:7} {count['survived']:8} {count['no test']:7} "
        f"{dead / whole if whole else float('nan'):6.1%}{rest}"
    )


if __name__ == "__main__":
    main()
