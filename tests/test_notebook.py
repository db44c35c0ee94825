"""The notebook runs from top to bottom with the public library, and is committed without outputs."""

from __future__ import annotations

import ast
import json
import sys

import nbformat
import pytest

NOTEBOOK = "first_look.ipynb"
PUBLIC = {"screening", "screening.sample"}


@pytest.fixture
def notebook(repository):
    return nbformat.read(repository / "notebooks" / NOTEBOOK, as_version=4)


def code_of(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def test_notebook_is_committed_without_outputs(notebook):
    nbformat.validate(notebook)
    assert len(code_of(notebook)) >= 5
    for cell in code_of(notebook):
        assert cell.outputs == []
        assert cell.execution_count is None


def test_notebook_uses_only_the_public_library(notebook):
    """What a notebook imports from the package is what the README shows, and where the sample lies."""
    tree = ast.parse("\n".join(cell.source for cell in code_of(notebook)))
    imported = {name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names}
    imported |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert {name for name in imported if name.split(".")[0] == "screening"} == PUBLIC


@pytest.mark.slow
def test_notebook_runs(notebook, repository, tmp_path, monkeypatch):
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
    assert sorted(file.name for file in work.iterdir()) == ["first_look.gpkg", "first_look_3_m.gpkg"]
    outputs = [output for cell in code_of(notebook) for output in cell.outputs]
    assert not [output for output in outputs if output.output_type == "error"]
    pictures = [output.data["image/png"] for output in outputs if "image/png" in output.get("data", {})]
    assert len(pictures) == 1
    # a map with hundreds of lots, no empty frame (base64)
    assert len(pictures[0]) > 100_000
