"""The layers: array code needs NumPy and SciPy only, and imports run one way."""

import ast
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import ebbmap

ROOT = Path(ebbmap.__file__).parent

#: Modules of array code, behind the wall.
BEHIND_THE_WALL = (
    "units",
    "errors",
    "exchange",
    "registries",
    "lungs",
    "kernels",
    "cases.evaluate",
    "committee.draft",
)

MODULES = {
    ".".join(("ebbmap", *path.relative_to(ROOT).with_suffix("").parts)).removesuffix(
        ".__init__"
    ): path
    for path in sorted(ROOT.rglob("*.py"))
}


def behind_the_wall():
    roots = tuple(f"ebbmap.{name}" for name in BEHIND_THE_WALL)
    return [
        name for name in MODULES if name in roots or name.startswith(tuple(f"{r}." for r in roots))
    ]


def imports(module):
    """Full names of all that a module imports, anywhere in it."""
    for node in ast.walk(ast.parse(MODULES[module].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield whole if whole in MODULES else node.module


def importers(package):
    return {name for name in MODULES if any(one.split(".")[0] == package for one in imports(name))}


def test_array_code_imports_numpy_and_scipy_only():
    code = f"""
import importlib, sys
from importlib.abc import MetaPathFinder

class Wall(MetaPathFinder):
    allowed = {{"ebbmap", "numpy", "scipy"}}

    def find_spec(self, name, path=None, target=None):
        first = name.partition(".")[0]
        if first not in self.allowed and first not in sys.stdlib_module_names:
            raise ModuleNotFoundError(f"{{name}} stands outside the wall")

import numpy, scipy  # what these two import for themselves is theirs
import scipy.optimize, scipy.special, scipy.stats, scipy.linalg
sys.meta_path.insert(0, Wall())
for name in {behind_the_wall()}:
    importlib.import_module(name)
from ebbmap.cases.evaluate import evaluate
from ebbmap.registries.limits import limit_set, judge
from ebbmap.lungs import lung_model
from ebbmap.registries.populations import population
lungs = population("restrictive").sample(50, seed=0)
solved = evaluate(lung_model("linear"), lungs)
print(judge(limit_set("volume"), solved.outcomes).verdict.size)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "50"


def test_the_wall_has_something_behind_it():
    assert {"ebbmap.lungs.linear", "ebbmap.kernels.sobol"} <= set(behind_the_wall())


def test_matplotlib_is_imported_for_plotting_only():
    found = importers("matplotlib")
    assert found
    assert all(name.startswith("ebbmap.plotting") for name in found), found


def test_salib_is_imported_by_one_module():
    assert importers("SALib") == {"ebbmap.cases.design.draw"}


def test_no_result_is_pickled():
    assert not importers("pickle") | importers("shelve")


def test_imports_go_round_in_no_circle():
    graph = {name: {one for one in imports(name) if one in MODULES} - {name} for name in MODULES}
    order = list(TopologicalSorter(graph).static_order())
    assert set(order) == set(MODULES)


@pytest.mark.parametrize("module", sorted(MODULES))
def test_no_module_asserts(module):
    tree = ast.parse(MODULES[module].read_text(encoding="utf-8"))
    assert not [node.lineno for node in ast.walk(tree) if isinstance(node, ast.Assert)]
