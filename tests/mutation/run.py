"""Mutation testing of the safety core: every small change of its code must make a test fail.

The changes are made by Cosmic Ray's operators, one at a time and in memory only: a forked process imports the changed
module in place of the true one and runs the tests of ``TARGETS`` until the first fails. What survives must be listed,
with the reason, in ``survivors.toml``; an entry there that no longer survives is an error too.
"""

from __future__ import annotations

import argparse
import ast
import importlib.util
import multiprocessing
import os
import resource
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import CodeType, ModuleType

import hypothesis.stateful  # with all that it needs: loaded once, not in each process
import pytest
from cosmic_ray import mutating, plugins

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
SURVIVORS = HERE / "survivors.toml"
PYTEST = ("-x", "--tb=no", "--assert=plain", "-p", "no:cacheprovider")
SECONDS = 60  # of processor time: a change that makes the tests hang is seen as well

# Module: the tests that know it, in two goes: the quick and exact ones first.
_CORE = tuple(f"tests/firmware/test_safety_{part}.py" for part in ("core", "trips", "orders", "permits"))
TARGETS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "evenbed_fw.budget": (("tests/firmware/test_budget.py",), ()),
    "evenbed_fw.envelope": (("tests/firmware/test_envelope.py",), (*_CORE, "tests/firmware/test_board.py")),
    "evenbed_fw.pedal": (("tests/firmware/test_pedal.py",), ()),
    "evenbed_fw.waydown": (("tests/firmware/test_way_down.py", _CORE[0]), ()),
    "evenbed_fw.safety": (
        _CORE,
        (
            *(f"tests/firmware/test_{name}.py" for name in ("way_down", "responses", "let_down", "board")),
            "tests/wire/test_same_verdict.py::test_numbers_have_the_meaning_of_the_document",
        ),
    ),
    "evenbed.head.guard": (("tests/host/test_guard.py",), ()),
    "evenbed.head.stopbudget": (("tests/host/test_stop_budget.py",), ()),
}

# Comparisons: the neighbour (boundary) and the opposite. Arithmetic: the opposite. Left out: what no one writes by
# mistake (a power for a sum), and what changes nothing or cannot come (an identity for an equality of integers; an
# order for an equality with the lowest state).
COMPARISONS = "Gt_GtE GtE_Gt Lt_LtE LtE_Lt Gt_LtE GtE_Lt Lt_GtE LtE_Gt Eq_NotEq NotEq_Eq Is_IsNot IsNot_Is"
ARITHMETIC = "Add_Sub Sub_Add Mul_FloorDiv FloorDiv_Mul Mod_FloorDiv RShift_LShift LShift_RShift BitOr_BitAnd BitAnd_BitOr"
OPERATORS = (
    *(f"core/ReplaceComparisonOperator_{pair}" for pair in COMPARISONS.split()),
    *(f"core/ReplaceBinaryOperator_{pair}" for pair in ARITHMETIC.split()),
    *(f"core/ReplaceUnaryOperator_Delete_{sign}" for sign in ("USub", "Not")),
    *(f"core/Replace{what}" for what in ("TrueWithFalse", "FalseWithTrue", "AndWithOr", "OrWithAnd")),
    *("core/AddNot", "core/NumberReplacer", "core/ZeroIterationForLoop"),
)


@dataclass(frozen=True)
class Mutant:
    """One change: where (function), what the line was and what it became, and the changed source."""

    module: str
    function: str
    before: str
    after: str
    source: str

    @property
    def name(self) -> str:
        """How the list of survivors knows it; line numbers would not last."""
        return f"{self.module}:{self.function}: {self.before} -> {self.after}"


def path_of(module: str) -> Path:
    """The file of a module, without importing it."""
    package, _, name = module.rpartition(".")
    folder = ROOT / ("hardware/firmware" if package == "evenbed_fw" else "host")
    return folder.joinpath(*package.split("."), f"{name}.py")


def function_at(tree: ast.Module, line: int) -> str:
    """The dotted name of the function that holds ``line``."""
    names: list[str] = []
    body: list[ast.stmt] = tree.body
    while True:
        for node in body:
            inside = node.lineno <= line <= (node.end_lineno or node.lineno)
            if inside and isinstance(node, ast.ClassDef | ast.FunctionDef):
                names.append(node.name)
                body = node.body
                break
        else:
            return ".".join(names) or "module"


def meaning(source: str) -> str:
    """The source as the interpreter takes it, annotations left out: two of the same meaning are no change."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            node.returns = None
        elif isinstance(node, ast.arg):
            node.annotation = None
        elif isinstance(node, ast.AnnAssign):
            node.annotation = ast.Constant(None)
    return ast.dump(tree)


def mutants(module: str) -> Iterator[Mutant]:
    """All changes of one module, each once."""
    source = path_of(module).read_text("utf-8")
    tree = ast.parse(source)
    lines = source.splitlines()
    seen = {meaning(source)}
    times: dict[tuple[str, str, str], int] = {}
    for name in OPERATORS:
        operator = plugins.get_operator(name)()
        for occurrence in range(10_000):
            changed = mutating.MutationVisitor.mutate_code(source, operator, occurrence)
            if changed is None:
                break
            if (means := meaning(changed)) in seen:
                continue
            seen.add(means)
            at = next(i for i, (a, b) in enumerate(zip(lines, changed.splitlines(), strict=True)) if a != b)
            before, after = lines[at].strip(), changed.splitlines()[at].strip()
            key = function_at(tree, at + 1), before, after
            times[key] = times.get(key, 0) + 1
            yield Mutant(module, key[0], before, after + (f"  # {times[key]}." if times[key] > 1 else ""), changed)


class Changed(MetaPathFinder, Loader):
    """Imports one module from the changed source."""

    def __init__(self, module: str, code: CodeType) -> None:
        self.module, self.code = module, code

    def find_spec(self, fullname: str, path: object, target: object = None) -> ModuleSpec | None:
        """Only the one module is ours."""
        return importlib.util.spec_from_loader(fullname, self) if fullname == self.module else None

    def exec_module(self, module: ModuleType) -> None:
        """Run the changed source as the module."""
        exec(self.code, module.__dict__)


def survives(mutant: Mutant) -> bool:
    """Do all tests pass with the change? In a process of its own, which has imported nothing of ours."""
    child = os.fork()
    if child == 0:
        resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        hypothesis.settings.register_profile("mutation", database=None, derandomize=True, deadline=None)
        hypothesis.settings.load_profile("mutation")
        code = compile(mutant.source, str(path_of(mutant.module)), "exec")
        sys.meta_path.insert(0, Changed(mutant.module, code))
        try:
            goes = [tests for tests in TARGETS[mutant.module] if tests]
            os._exit(int(any(pytest.main([*PYTEST, *tests]) for tests in goes)))
        finally:
            os._exit(70)
    _, status = os.waitpid(child, 0)
    return status == 0


def judge(mutant: Mutant) -> tuple[Mutant, bool]:
    """For the pool."""
    return mutant, survives(mutant)


def listed() -> dict[str, str]:
    """Survivors that may be, each with its reason."""
    if not SURVIVORS.exists():
        return {}
    found = tomllib.loads(SURVIVORS.read_text("utf-8")).get("survivor", [])
    return {f"{s['module']}:{s['function']}: {s['before']} -> {s['after']}": s["reason"] for s in found}


def sound(changes: list[Mutant]) -> bool:
    """Do the tests pass without any change? If not nothing is proved."""
    for module in {m.module for m in changes}:
        path = path_of(module)
        if not survives(Mutant(module, "", "", "", path.read_text("utf-8"))):
            tests = " ".join(name for go in TARGETS[module] for name in go)
            print(f"{path.relative_to(ROOT)}: its tests fail as it is. Run: pytest {tests}")
            return False
    return True


def main() -> int:
    """Run it; 0 if every survivor is listed and every one listed survives, else 1."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation.run", description=__doc__)
    parser.add_argument("modules", nargs="*", default=list(TARGETS), help="default: " + " ".join(TARGETS))
    parser.add_argument("--jobs", type=int, default=1, help="processes at a time")
    parser.add_argument("--matching", default="", help="only changes whose name holds this text")
    asked = parser.parse_args()
    os.chdir(ROOT)
    # The tree that this file stands in, wherever the packages are installed from.
    sys.path[:0] = [str(ROOT / folder) for folder in ("hardware/firmware", "host", "firmware_sim")]
    assert not any(name.split(".")[0] in ("evenbed", "evenbed_fw") for name in sys.modules)
    changes = [m for module in asked.modules for m in mutants(module) if asked.matching in m.name]
    if not sound(changes):
        return 1
    alive: list[str] = []
    reasons = listed()
    with multiprocessing.get_context("fork").Pool(asked.jobs) as pool:
        for n, (mutant, lives) in enumerate(pool.imap_unordered(judge, changes), 1):
            if lives:
                alive.append(mutant.name)
                if mutant.name not in reasons:
                    print(f"survives, not listed: {mutant.name}", flush=True)
            if n % 50 == 0:
                print(f"{n} of {len(changes)}, {len(alive)} survive", flush=True)
    here = {name for name in reasons if name.split(":")[0] in asked.modules and asked.matching in name}
    new = set(alive) - here
    gone = sorted(here - set(alive))
    for name in gone:
        print(f"listed, but does not survive: {name}")
    for module in asked.modules:
        total = sum(m.module == module for m in changes)
        left = sum(name.startswith(module + ":") for name in alive)
        print(f"{module}: {total} changes, {total - left} killed, {left} survive")
    return 1 if new or gone or not sound(changes) else 0


if __name__ == "__main__":
    sys.exit(main())
