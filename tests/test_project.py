"""The project's files: every import declared, one version, a licence, hooks that fetch nothing."""

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

import ebbmap

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
METADATA = PROJECT["project"]

#: Modules of the tests themselves.
OWN = {"ebbmap", *(path.stem for path in (ROOT / "tests").rglob("*.py"))}


def plain(name):
    """Name of a distribution as registries compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def declared(requirements):
    return {plain(re.match(r"[\w.-]+", one)[0]) for one in requirements}


NEEDED = declared(METADATA["dependencies"])
EXTRAS = {name: declared(needs) for name, needs in METADATA["optional-dependencies"].items()}


def imported(folder):
    """Top-level names that the modules of a folder import, anywhere, each with a module's name."""
    names = {}
    for path in sorted(folder.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names |= {alias.name.split(".")[0]: path.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and not node.level:
                names[node.module.split(".")[0]] = path.name
    return {n: where for n, where in names.items() if n not in sys.stdlib_module_names | OWN}


def undeclared(folder, known):
    distributions = packages_distributions()
    # modules of the folder import each other by name
    known_here = {path.stem for path in folder.rglob("*.py")} | {
        path.name for path in folder.rglob("*") if path.is_dir()
    }
    return {
        name: where
        for name, where in imported(folder).items()
        if name not in known_here
        and not known & {plain(one) for one in distributions.get(name, [name])}
    }


def test_every_package_that_the_code_imports_is_declared():
    assert len(imported(ROOT / "src")) > 10
    assert (
        undeclared(
            ROOT / "src",
            NEEDED.union(*(needs for name, needs in EXTRAS.items() if name != "test")),
        )
        == {}
    )


def test_every_package_that_the_tests_import_is_declared():
    # jsonschema and the like would come and go with somebody else's needs
    assert undeclared(ROOT / "tests", NEEDED | EXTRAS["test"]) == {}


def test_every_declared_package_is_imported():
    names = packages_distributions()
    used = {plain(one) for name in imported(ROOT / "src") for one in names.get(name, [name])}
    # h5netcdf is named to xarray as an engine, not imported; h5py is what it needs at this version
    assert NEEDED - used <= {"h5netcdf", "h5py"}


@pytest.mark.parametrize(
    "need", [*METADATA["dependencies"], *METADATA["optional-dependencies"]["test"]]
)
def test_every_dependency_has_a_lower_bound_and_no_other(need):
    assert re.fullmatch(r"[\w.-]+(\[\w+\])?>=[\d.]+", need)


def test_there_is_one_version():
    assert ebbmap.__version__ == METADATA["version"]
    citation = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert re.search(r"^version: (.+)$", citation, re.M)[1] == METADATA["version"]


def test_the_changelog_goes_by_version():
    log = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    versions = re.findall(r"^## (.+)$", log, re.M)
    assert versions[0] == "Unreleased" or versions[0] == METADATA["version"]
    assert METADATA["version"] in versions
    kinds = {"Added", "Changed", "Removed", "Fixed", "Answers that changed"}
    assert {"Added", "Changed", "Fixed"} <= set(re.findall(r"^### (.+)$", log, re.M)) <= kinds


def test_the_public_names_are_functions_with_a_text():
    for name in ebbmap.__all__:
        assert name in dir(ebbmap)
        assert getattr(ebbmap, name).__doc__
    with pytest.raises(AttributeError, match="no attribute 'simulte'"):
        ebbmap.simulte  # noqa: B018


def test_types_are_carried():
    assert (Path(ebbmap.__file__).parent / "py.typed").is_file()
    assert "Typing :: Typed" in METADATA["classifiers"]


def test_the_licence_is_the_same_everywhere():
    assert (ROOT / "LICENSE").read_text().startswith("BSD 3-Clause License")
    assert METADATA["license"] == "BSD-3-Clause"
    assert METADATA["license-files"] == ["LICENSE"]
    assert "license: BSD-3-Clause" in (ROOT / "CITATION.cff").read_text()


def test_nothing_claims_an_address():
    assert "urls" not in METADATA
    for name in ("pyproject.toml", "CITATION.cff", ".pre-commit-config.yaml"):
        assert "http" not in (ROOT / name).read_text()


def test_hooks_fetch_nothing():
    hooks = (ROOT / ".pre-commit-config.yaml").read_text()
    assert re.findall(r"^\s*- repo: (.+)$", hooks, re.M) == ["local"]
    assert set(re.findall(r"language: (.+)$", hooks, re.M)) == {"system"}


def test_the_wheel_holds_the_studies_and_the_sdist_no_pictures():
    targets = PROJECT["tool"]["hatch"]["build"]["targets"]
    assert targets["wheel"]["force-include"] == {"studies": "ebbmap/studies"}
    assert "/figures" in targets["sdist"]["exclude"]
