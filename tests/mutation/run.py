"""Change one thing in the models, see whether a test notices; stop and resume as you like.

    python -m pytest --cov=metafreeze --cov-branch --cov-context=test
    python tests/mutation/run.py --coverage .coverage --seconds 480 --seed 20251125
    python tests/mutation/run.py --coverage .coverage --modules tau2 pooled --progress tried.csv

Every possible change is listed (comparisons, arithmetic, signs, logic, numbers, truth values,
returned results), the list is shuffled with the seed, and changes are tried in that order until
the seconds are used: what was tried is a random sample of all. For each, the tests that run the
changed line are run, most particular first, then the test files nearest to it; the coverage
data say which. The changed module lives in the memory of a process of its own; no file changes.
A test that failed is run again without the change: if it fails there too, the change counts as
not judged. Every change tried stands as one line in progress.csv; RESULTS.md is made from it.
A changed line that was edited since has another key and is tried anew. With --modules only
those are changed and no page of results is made: that is for finding tests that are missing,
and the score is then taken with another seed, whose changes no test was written for.
"""

from __future__ import annotations

import argparse
import ast
import copy
import csv
import importlib.abc
import importlib.machinery
import importlib.util
import os
import random
import resource
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import CodeType, ModuleType

import coverage
import numpy
import pandas
import pytest
import scipy.optimize
import scipy.stats
import statsmodels.api
from statsmodels.stats.proportion import proportion_confint

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
PROGRESS = HERE / "progress.csv"
RESULTS = HERE / "RESULTS.md"

# Loaded once here, so that each process that is split off starts with them.
PRELOADED: tuple[ModuleType, ...] = (
    *(coverage, numpy, pandas, pytest),
    *(scipy.optimize, scipy.stats, statsmodels.api),
)

COLUMNS = ("module", "line", "column", "kind", "before", "after", "outcome", "by", "s", "seed")
COLUMNS = (*COLUMNS, "date")

# Tests of the line first, then the whole files nearest to it: results that a fixture or a
# cache made for one test are judged by others of the same file.
MOST_TESTS = 25
MOST_FILES = 2
MOST_SECONDS = 25.0  # of the processor
MOST_WAITING = 6 * MOST_SECONDS

BOUNDARY: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
}
OPPOSITE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
}


@dataclass(frozen=True)
class Change:
    """One change of one module: where, of what kind, from what to what."""

    module: str
    line: int
    column: int
    kind: str
    before: str
    after: str
    path: Path
    site: int
    choice: int

    def key(self) -> tuple[str, ...]:
        """Name the change by its text, so that an edit elsewhere in the file keeps it."""
        return (self.module, self.kind, self.before, self.after, str(self.line), str(self.column))

    def tree(self) -> ast.Module:
        """Make the changed tree of the module."""
        tree = ast.parse(self.path.read_text(encoding="utf-8"))
        parent, field, at = list(sites(tree))[self.site]
        old = child_of(parent, field, at)
        new = ast.copy_location(list(replacements(old))[self.choice][1], old)
        if at is None:
            setattr(parent, field, new)
        else:
            getattr(parent, field)[at] = new
        return ast.fix_missing_locations(tree)


def replacements(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Give every change of this one node."""
    if isinstance(node, ast.Compare):
        for kind, table in (("boundary", BOUNDARY), ("comparison", OPPOSITE)):
            if type(node.ops[0]) in table:
                new = copy.deepcopy(node)
                new.ops[0] = table[type(node.ops[0])]()
                yield kind, new
    elif isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in ARITHMETIC:
        changed = copy.deepcopy(node)
        changed.op = ARITHMETIC[type(node.op)]()
        yield "arithmetic", changed
    elif isinstance(node, ast.BoolOp):
        logic = copy.deepcopy(node)
        logic.op = ast.And() if isinstance(node.op, ast.Or) else ast.Or()
        yield "logic", logic
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not | ast.Invert):
        yield "sign", copy.deepcopy(node.operand)
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield "truth", ast.Constant(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        yield "number", ast.Constant(node.value + 1)
    elif isinstance(node, ast.Return) and ast.unparse(node) not in ("return", "return None"):
        yield "result", ast.Return(ast.Constant(None))


def passed_over(node: ast.AST) -> bool:
    """Tell whether changes below here say nothing: text of messages, names of types."""
    if isinstance(node, ast.JoinedStr | ast.Raise | ast.Import | ast.ImportFrom):
        return True
    if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
        return True
    return isinstance(node, ast.Call) and ast.unparse(node.func) in ("TypeVar", "Literal")


def sites(node: ast.AST) -> Iterator[tuple[ast.AST, str, int | None]]:
    """Walk to every node that may change: its parent, the field, the place in a list."""
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list"):
            continue
        for at, child in enumerate(value) if isinstance(value, list) else ((None, value),):
            if isinstance(child, ast.AST) and not passed_over(child):
                yield node, field, at
                yield from sites(child)


def child_of(parent: ast.AST, field: str, at: int | None) -> ast.AST:
    """Look up the node at a site."""
    value = getattr(parent, field)
    found: ast.AST = value if at is None else value[at]
    return found


def changes_of(path: Path) -> list[Change]:
    """List every change of one module, in the order of its text."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
    listed = []
    for number, (parent, field, at) in enumerate(sites(tree)):
        old = child_of(parent, field, at)
        for choice, (kind, new) in enumerate(replacements(old)):
            place = (old.lineno, old.col_offset)  # type: ignore[attr-defined]
            text = (ast.unparse(old), ast.unparse(new))
            listed.append(Change(module, *place, kind, *text, path, number, choice))
    return listed


class ChangedModule(importlib.abc.MetaPathFinder):
    """Answers the import of one module with its changed tree; all others pass."""

    def __init__(self, change: Change) -> None:
        self.change = change
        self.path = str(ROOT / (change.module.replace(".", "/") + ".py"))

    def find_spec(self, fullname: str, path: object, target: object = None) -> object:
        """Offer the changed module under its own name and path."""
        if fullname != self.change.module:
            return None
        loader = ChangedLoader(fullname, self.path)
        loader.tree = self.change.tree()
        return importlib.util.spec_from_loader(fullname, loader)


class ChangedLoader(importlib.machinery.SourceFileLoader):
    """Compiles a tree instead of the file, and never reads or writes compiled files."""

    tree: ast.Module

    def get_code(self, fullname: str) -> CodeType:
        """Compile the changed tree."""
        code: CodeType = compile(self.tree, self.path, "exec")
        return code


class FirstFailure:
    """Remembers the first test that failed."""

    def __init__(self) -> None:
        self.name = ""

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Keep the name of a failed test."""
        if report.failed and not self.name:
            self.name = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """Keep the name of a file that could not be collected."""
        if report.failed and not self.name:
            self.name = report.nodeid


def run_tests(tests: list[str], change: Change | None) -> tuple[str, str]:
    """Run tests in a process split off from this one: passed, failed or timeout, and by whom."""
    reader, writer = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(reader)
        os.setsid()
        quiet = os.open(os.devnull, os.O_RDWR)
        for number in (0, 1, 2):
            os.dup2(quiet, number)
        resource.setrlimit(resource.RLIMIT_CPU, (int(MOST_SECONDS), int(MOST_SECONDS) + 1))
        if change is not None:
            sys.meta_path.insert(0, ChangedModule(change))
        seen = FirstFailure()
        options = ["-x", "-q", "-n0", "-p", "no:randomly", "-p", "no:cacheprovider"]
        code = pytest.main([*options, *tests], plugins=[seen])
        os.write(writer, f"{int(code)} {seen.name}".encode())
        os._exit(0)
    os.close(writer)
    until = time.monotonic() + MOST_WAITING
    while time.monotonic() < until:
        ended, status = os.waitpid(pid, os.WNOHANG)
        if ended:
            break
        time.sleep(0.02)
    else:
        os.killpg(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        os.close(reader)
        return "timeout", ""
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL):
        os.close(reader)
        return "timeout", ""
    with os.fdopen(reader, "rb") as pipe:
        code_text, _, name = pipe.read().decode().partition(" ")
    # A process that died without a word was brought down by the change.
    return ("passed" if code_text == "0" else "failed"), name


class Watchers:
    """Which tests run which line, by the coverage data."""

    def __init__(self, data_file: Path) -> None:
        self.data = coverage.CoverageData(str(data_file))
        self.data.read()
        self.lines_of_test: Counter[str] = Counter()
        self.by_module: dict[str, dict[int, set[str]]] = {}
        for path in self.data.measured_files():
            if "/metafreeze/models/" not in path:
                continue
            lines = {
                line: {name.split("|")[0] for name in names if name}
                for line, names in self.data.contexts_by_lineno(path).items()
            }
            self.by_module[Path(path).stem] = lines
            for names in lines.values():
                self.lines_of_test.update(names)

    def of(self, change: Change) -> tuple[list[str], list[str]]:
        """Give the tests of the line, most particular first, and the files nearest to it."""
        stem = change.module.rsplit(".", 1)[1]
        lines = self.by_module.get(stem, {})
        # A line that runs while the module loads belongs to every test of the module.
        tests = lines.get(change.line) or set().union(*lines.values())
        words = set(stem.split("_"))

        def order(test: str) -> tuple[int, int, str]:
            shared = words & set(Path(test.split("::")[0]).stem.split("_"))
            return (-len(shared), self.lines_of_test[test], test)

        ranked = sorted(tests, key=order)
        # Names with brackets may hold letters that the shell of pytest reads otherwise.
        plain = list(dict.fromkeys(test.split("[")[0] for test in ranked))[:MOST_TESTS]
        files = list(dict.fromkeys(test.split("::")[0] for test in ranked))[:MOST_FILES]
        # Tests written since the coverage data are found by the name of the module.
        named = sorted(str(p.relative_to(ROOT)) for p in ROOT.glob(f"tests/*/test_{stem}_*.py"))
        return list(dict.fromkeys([*named, *plain])), files


def judge(change: Change, watchers: Watchers) -> tuple[str, str]:
    """Run the tests near a change: killed, endless, survived or not judged, and by whom."""
    tests, files = watchers.of(change)
    if not tests:
        return "survived", "no test runs the line"
    for group in (tests, files):
        outcome, name = run_tests(group, change)
        if outcome == "timeout":
            # Endless only if the same tests end without the change.
            ends = run_tests(group, None)[0] == "passed"
            return ("endless" if ends else "timeout"), ""
        if outcome == "failed":
            again = [name] if name else group
            if run_tests(again, None)[0] != "passed":
                return "not judged", name
            return "killed", name
    return "survived", ""


def read_progress(path: Path) -> list[dict[str, str]]:
    """Read what was tried before."""
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def write_results(rows: list[dict[str, str]], possible: int) -> None:
    """Make the page of results from the lines of progress."""
    counts = Counter(row["outcome"] for row in rows)
    # Where the tests run past the time without the change too, that is no finding.
    noticed = counts["killed"] + counts["endless"]
    judged = noticed + counts["timeout"] + counts["survived"]
    low, high = proportion_confint(noticed, judged, method="wilson") if judged else (0.0, 1.0)
    modules = sorted({row["module"].rsplit(".", 1)[1] for row in rows})
    text = [
        "# Changes that a test must notice\n",
        f"{judged} changes judged, drawn at random from the {possible:,} possible ones of "
        f"`metafreeze/models`: {noticed} noticed ({counts['endless']} of them since the tests "
        f"no longer ended within {MOST_SECONDS:.0f} s of the processor, as they do without the "
        f"change), {counts['survived']} not, {counts['timeout']} ran past the time as the tests "
        f"without the change did and count as not: "
        f"**{noticed / max(judged, 1):.1%}** (95% interval, Wilson: {low:.1%} to {high:.1%}). "
        f"Not judged, as the test failed without the change too: {counts['not judged']}.\n",
        f"At most {MOST_TESTS} tests and {MOST_FILES} files are run for a change, so the share "
        "is a lower bound of what the whole suite notices. Triage of what was not noticed: "
        "DEVELOPERS.md.\n",
        f"Seed {', '.join(sorted({row['seed'] for row in rows}))}; "
        f"last run {max((row['date'] for row in rows), default='never')}.\n",
        "| module | noticed | not | past the time |\n|---|---|---|---|",
    ]
    for module in modules:
        here = Counter(row["outcome"] for row in rows if row["module"].rsplit(".", 1)[1] == module)
        seen_here = here["killed"] + here["endless"]
        text.append(f"| {module} | {seen_here} | {here['survived']} | {here['timeout']} |")
    text.append("\n## Not noticed\n\n| where | kind | before | after |\n|---|---|---|---|")
    for row in rows:
        if row["outcome"] == "survived":
            shown = [
                " ".join(row[name].split()).replace("|", "\\|") for name in ("before", "after")
            ]
            where = f"{row['module'].rsplit('.', 1)[1]}:{row['line']}"
            cells = " | ".join(f"`{cell[:90]}`" for cell in shown)
            text.append(f"| {where} | {row['kind']} | {cells} |")
    RESULTS.write_text("\n".join(text).replace("|\n\n|", "|\n|") + "\n", encoding="utf-8")


def main() -> None:
    """Try changes until the seconds are used."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--coverage", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=480.0)
    parser.add_argument("--seed", type=int, default=20251125)
    parser.add_argument("--again", action="store_true", help="try the survivors once more")
    parser.add_argument("--modules", nargs="+", help="change only these")
    parser.add_argument("--progress", type=Path, default=PROGRESS)
    chosen = parser.parse_args()
    chosen.progress = chosen.progress.resolve()
    if chosen.modules and chosen.progress == PROGRESS:
        parser.error("--modules needs --progress: the score is of a sample of all modules")

    os.chdir(ROOT)
    os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = tempfile.mkdtemp()
    watchers = Watchers(chosen.coverage.resolve())
    changes = [
        change
        for path in sorted((ROOT / "metafreeze" / "models").glob("*.py"))
        if not chosen.modules or path.stem in chosen.modules
        for change in changes_of(path)
    ]
    random.Random(chosen.seed).shuffle(changes)
    rows = read_progress(chosen.progress)
    if chosen.again:
        rows = [row for row in rows if row["outcome"] in ("killed", "endless")]
    known = {change.key() for change in changes}
    names = ("module", "kind", "before", "after", "line", "column")
    rows = [row for row in rows if tuple(row[name] for name in names) in known]
    done = {tuple(row[name] for name in names) for row in rows}
    until = time.monotonic() + chosen.seconds
    for change in changes:
        if time.monotonic() > until:
            break
        if change.key() in done:
            continue
        begun = time.monotonic()
        outcome, by = judge(change, watchers)
        done.add(change.key())
        told = (change.module, change.line, change.column, change.kind, change.before)
        told = (*told, change.after, outcome, by, f"{time.monotonic() - begun:.1f}")
        told = (*told, chosen.seed, date.today().isoformat())
        rows.append(dict(zip(COLUMNS, map(str, told), strict=True)))
        with chosen.progress.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
        if chosen.progress == PROGRESS:
            write_results(rows, len(changes))
        print(rows[-1]["outcome"], change.module, change.line, change.kind, by, flush=True)


if __name__ == "__main__":
    main()
