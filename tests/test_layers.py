"""The layers: imports run downwards only, and array code needs NumPy and SciPy only."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

import house

ROOT = Path(__file__).parents[1]

#: Packages from the bottom to the top. A package imports from lines above its own here, never from
#: its own line or from one below. DEVELOPERS.md quotes these lines.
LAYERS = """\
units errors caution digits array
special
registry
exchange
lungs
registries
kernels
engines
cases
analyses validation
catalogue
committee
policies
traces
files
runs
tables plotting
web
report teaching exploring site
cli
"""

#: Packages and modules of arrays: they import NumPy and SciPy, and each other.
ARRAYS = (
    "units",
    "errors",
    "digits",
    "array",
    "special",
    "registry",
    "exchange",
    "lungs",
    "registries",
    "kernels",
    "engines",
    "cases.blocks",
    "cases.evaluate",
    "committee.draft",
    "committee.rules",
)

#: Imports that still climb: (importer, imported). Nothing may be added.
CLIMBING: set[tuple[str, str]] = set()

LEVEL = {name: level for level, line in enumerate(LAYERS.splitlines()) for name in line.split()}
MODULES = {name: module for name, (_, module) in house.modules(ROOT).items()}
ARROWS = house.arrows(ROOT)


def array_modules():
    roots = tuple(f"ebbmap.{name}" for name in ARRAYS)
    return [
        name for name in MODULES if name in roots or name.startswith(tuple(f"{r}." for r in roots))
    ]


def importers(distribution):
    return {
        name
        for name, module in MODULES.items()
        if any(wanted.split(".")[0] == distribution for wanted in house.imports(module))
    }


#: Folders of tests that belong to no package.
OTHER_TESTS = {"benchmarks", "external", "faults", "mutation", "support"}


def test_every_package_has_its_tests():
    paths = (path.relative_to(ROOT / "tests") for path in (ROOT / "tests").rglob("test_*.py"))
    folders = {path.parts[0] for path in paths if len(path.parts) > 1}
    packages = {name.split(".")[1] for name in MODULES if name.count(".") > 1}
    assert packages <= folders
    assert folders - packages <= OTHER_TESTS


def test_every_package_has_its_layer():
    assert set(LEVEL) == {house.package(name) for name in MODULES} - {""}


def test_nothing_climbs():
    climbing = {(here, there) for here, there in ARROWS if LEVEL[there] >= LEVEL[here]}
    assert climbing == CLIMBING


def test_packages_go_round_in_no_circle():
    assert house.circles(ARROWS - CLIMBING) == []


def test_a_circle_would_be_seen():
    assert house.circles({("runs", "tables"), ("tables", "cli"), ("cli", "runs")}) != []


def test_the_guide_quotes_the_layers():
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    (quoted,) = re.findall(r"<!-- layers -->\n```text\n(.*?)```", guide, re.S)
    assert quoted == LAYERS


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
for name in {array_modules()}:
    importlib.import_module(name)
from ebbmap.cases.evaluate import evaluate
from ebbmap.kernels.judging import judge
from ebbmap.registries.limits import limit_set
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
    assert {"ebbmap.lungs.linear", "ebbmap.kernels.sobol"} <= set(array_modules())


@pytest.mark.parametrize("name", array_modules())
def test_array_modules_import_array_modules(name):
    packages = {wanted.split(".")[0] for wanted in house.imports(MODULES[name])}
    outside = packages - {"ebbmap", "numpy", "scipy", *sys.stdlib_module_names}
    # engines import JAX where it is asked for, within functions
    assert outside <= ({"jax"} if name.startswith("ebbmap.engines") else set())
    own = {wanted for wanted in house.imports(MODULES[name]) if wanted.startswith("ebbmap.")}
    roots = tuple(f"ebbmap.{root}" for root in ARRAYS)
    assert {wanted for wanted in own if not wanted.startswith(roots)} == set()


def test_matplotlib_is_imported_for_plotting_only():
    found = importers("matplotlib")
    assert found
    assert all(name.startswith("ebbmap.plotting") for name in found), found


def test_jax_is_imported_by_engines_only():
    found = importers("jax")
    assert found
    assert all(name.startswith("ebbmap.engines") for name in found), found


def test_salib_is_imported_by_one_module():
    assert importers("SALib") == {"ebbmap.cases.design.draw"}


def test_no_result_is_pickled():
    assert not importers("pickle") | importers("shelve")


def test_modules_import_each_other_in_no_circle():
    graph = {
        name: {
            wanted if wanted in MODULES else wanted.rpartition(".")[0]
            for wanted in house.imports(module)
        }
        for name, module in MODULES.items()
    }
    arrows = {(here, there) for here, wanted in graph.items() for there in wanted & set(MODULES)}
    assert house.circles({(here, there) for here, there in arrows if here != there}) == []


@pytest.mark.parametrize("module", sorted(MODULES))
def test_no_module_asserts(module):
    assert not [n.lineno for n in ast.walk(MODULES[module]) if isinstance(n, ast.Assert)]
