"""The direction of imports and the size of modules (DEVELOPERS.md, layers)."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "screening"

LAYERS = [
    {"errors", "foreign", "notes", "paths", "units", "colours", "years"},
    {"params", "rules", "columns"},
    {"crs", "tiles", "raster", "outlines"},
    {"kernels"},
    {
        "clean",
        "homes",
        "roof",
        "terrain",
        "siting",
        "sizing",
        "water_balance",
        "overflow",
        "ranking",
        "streets",
        "districts",
        "confidence",
        "soils",
        "infiltration",
        "runoff",
        "barrels",
        "alternatives",
        "uncertainty",
        "ageing",
        "street_plan",
    },
    {"pipeline"},
    {"read", "survey", "write", "report", "sheets", "comparison", "council", "sample"},
    {"batch"},
    {"checks"},
    {"cli"},
    {"__main__"},
]
LEVEL = {name: level for level, names in enumerate(LAYERS) for name in names}

SIDEWAYS = {
    ("params", "rules"),  # parameters take their values from the rule sets
    ("survey", "read"),  # what a file holds is found out by the same ways in as a run's
    ("sheets", "report"),  # a sheet has the numbers, cautions and ways of reading of every other output
    ("comparison", "report"),  # reads results and writes numbers as every other output
    ("council", "report"),  # the same, and shows the copy for publication
    ("council", "sheets"),  # letters and their font
    ("raster", "crs"),  # a raster is put into the working coordinate system when it is opened
}

LARGEST_MODULE = 500


def modules() -> list[Path]:
    """Every module of the package but its __init__, which only names where things are."""
    return sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")


def top(path: Path) -> str:
    """Name of the module or folder directly under the package."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(tree: ast.AST, package: str) -> set[str]:
    """Names directly under the package that a syntax tree imports, wherever in the file."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute, so that this test can read them"
            names = [node.module or ""]
            if node.module == package:
                names = [f"{package}.{alias.name}" for alias in node.names]
        else:
            continue
        found |= {name.split(".")[1] for name in names if name.startswith(f"{package}.")}
    # The version and the lazy names of the package itself are no module.
    return found - {"__version__"}


def wrong_imports(name: str, tree: ast.AST) -> list[str]:
    """Imports that go up or sideways."""
    return [
        other
        for other in sorted(imported(tree, "screening") - {name})
        if LEVEL.get(other, 99) >= LEVEL[name] and (name, other) not in SIDEWAYS
    ]


def test_every_module_has_a_layer():
    assert {top(path) for path in modules()} <= set(LEVEL)


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_imports_go_down(path):
    assert wrong_imports(top(path), ast.parse(path.read_text("utf-8"))) == []


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_modules_stay_readable(path):
    assert len(path.read_text("utf-8").splitlines()) <= LARGEST_MODULE


@pytest.mark.parametrize(
    ("name", "code", "wrong"),
    [
        ("sizing", "from screening.siting import place", ["siting"]),
        ("sizing", "def f():\n    import screening.batch", ["batch"]),
        ("rules", "from screening import params", ["params"]),
        ("units", "from screening.params.fields import P", ["params"]),
        ("sizing", "from screening.units import FOOT_M\nimport numpy", []),
        ("params", "from screening.rules import RULE_SETS", []),
        ("report", "from screening.nowhere import x", ["nowhere"]),
    ],
)
def test_the_check_itself_finds_wrong_imports(name, code, wrong):
    assert wrong_imports(name, ast.parse(code)) == wrong
