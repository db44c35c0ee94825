"""The notebooks run from top to bottom with the library, and are committed without outputs."""

from __future__ import annotations

import ast
import json
import sys

import nbformat
import pytest

MODULES = {
    "first_look.ipynb": {"screening", "screening.sample"},
    "storm_to_city.ipynb": {"screening", "screening.sample", "screening.runoff", "screening.water_balance"},
}
"""What each notebook may use of the package: the first what the README shows and where the sample lies, the other also
the modules whose figures it checks by hand."""

FILES = {
    "first_look.ipynb": ["first_look.gpkg", "first_look.run.jsonl", "first_look_3_m.gpkg", "first_look_3_m.run.jsonl"],
    "storm_to_city.ipynb": ["storm_to_city.gpkg", "storm_to_city.run.jsonl"],
}
"""What each leaves behind."""

PICTURES = {"first_look.ipynb": [100_000], "storm_to_city.ipynb": [8_000, 8_000]}
"""Least size of each picture (base64): a map with hundreds of lots, a curve over bars; no empty frame."""


@pytest.fixture(params=sorted(MODULES))
def name(request):
    return request.param


@pytest.fixture
def notebook(repository, name):
    return nbformat.read(repository / "notebooks" / name, as_version=4)


def code_of(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def test_every_notebook_is_listed(repository):
    assert sorted(path.name for path in (repository / "notebooks").glob("*.ipynb")) == sorted(MODULES)


def test_notebook_is_committed_without_outputs(notebook):
    nbformat.validate(notebook)
    assert len(code_of(notebook)) >= 5
    for cell in code_of(notebook):
        assert cell.outputs == []
        assert cell.execution_count is None


def imported_modules(code):
    """Modules of the package that a text of Python imports; a name imported from the package counts as a module."""
    found = set()
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module == "screening":
            found |= {f"screening.{name.name}" for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(node.module)
    return {module for module in found if module.split(".")[0] == "screening"}


def test_imports_are_found_in_every_form():
    code = "import screening\nimport screening.batch as b\nfrom screening import sizing\nfrom screening.sample import f"
    assert imported_modules(code) == {"screening", "screening.batch", "screening.sizing", "screening.sample"}


def test_notebook_uses_only_the_modules_it_is_about(notebook, name):
    assert imported_modules("\n".join(cell.source for cell in code_of(notebook))) == MODULES[name]


def test_every_step_of_the_way_to_a_city_is_checked(repository):
    notebook = nbformat.read(repository / "notebooks" / "storm_to_city.ipynb", as_version=4)
    steps, checks = [], {}
    for cell in notebook.cells:
        if cell.cell_type == "markdown" and cell.source.startswith("## "):
            steps.append(cell.source.splitlines()[0])
        elif cell.cell_type == "code" and steps:
            n = sum(isinstance(node, ast.Assert) for node in ast.walk(ast.parse(cell.source)))
            checks[steps[-1]] = checks.get(steps[-1], 0) + n
    assert len(steps) >= 6
    assert [step for step in steps if checks.get(step, 0) < 2] == []


@pytest.mark.slow
def test_notebook_runs(notebook, name, repository, tmp_path, monkeypatch):
    from nbclient import NotebookClient

    # the kernel of this very Python, whatever kernels are installed for the user
    kernel = tmp_path / "data" / "kernels" / "python3"
    kernel.mkdir(parents=True)
    start = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
    spec = {"argv": start, "display_name": "Python 3", "language": "python"}
    (kernel / "kernel.json").write_text(json.dumps(spec), encoding="utf-8")
    monkeypatch.setenv("JUPYTER_PATH", str(tmp_path / "data"))
    monkeypatch.setenv("JUPYTER_PLATFORM_DIRS", "1")
    monkeypatch.setenv("PYTHONPATH", str(repository))
    work = tmp_path / "work"
    work.mkdir()
    client = NotebookClient(notebook, timeout=600, kernel_name="python3", resources={"metadata": {"path": str(work)}})
    client.execute()
    assert sorted(file.name for file in work.iterdir()) == FILES[name]
    outputs = [output for cell in code_of(notebook) for output in cell.outputs]
    assert not [output for output in outputs if output.output_type == "error"]
    assert not [output.text for output in outputs if output.get("name") == "stderr" and "Warning" in output.text]
    pictures = [output.data["image/png"] for output in outputs if "image/png" in output.get("data", {})]
    least = PICTURES[name]
    assert len(pictures) == len(least)
    assert all(len(picture) > size for picture, size in zip(pictures, least, strict=True))
