"""The documentation is current, complete, and its links lead somewhere."""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from screening import columns
from screening.cli.main import COMMANDS
from screening.params import SECTIONS, declared
from screening.rules import RULE_SETS

ROOT = Path(__file__).resolve().parent.parent
PAGES = sorted(path for path in [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])


@pytest.fixture(scope="module")
def generate():
    """docs/generate.py as a module."""
    spec = importlib.util.spec_from_file_location("docs_generate", ROOT / "docs" / "generate.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def reference(name):
    return (ROOT / "docs" / "reference" / name).read_text("utf-8")


def test_reference_pages_are_current():
    result = subprocess.run(
        [sys.executable, str(ROOT / "docs" / "generate.py"), "--check"], capture_output=True, text=True, check=False
    )
    assert result.returncode == 0, result.stderr


def test_the_check_notices_a_stale_and_a_missing_page(generate, tmp_path):
    shutil.copytree(ROOT / "docs" / "reference", tmp_path / "reference")
    codes = tmp_path / "reference" / "codes.md"
    codes.write_text(codes.read_text("utf-8").replace("barrel", "cask"), encoding="utf-8")
    (tmp_path / "reference" / "columns.md").unlink()
    assert {"codes.md", "columns.md"} <= set(generate.stale(tmp_path / "reference"))
    generate.write(tmp_path / "reference")
    assert generate.stale(tmp_path / "reference") == []


def test_every_parameter_is_documented():
    text = reference("parameters.md")
    for section, kind in SECTIONS.items():
        part = text.split(f"## [{section}]")[1].split("\n## ")[0]
        for name, parameter in declared(kind).items():
            assert f"| `{name}` |" in part
            assert parameter.spec.meaning in part


def test_every_column_and_code_is_documented():
    text = reference("columns.md")
    for layer in columns.LAYERS:
        part = text.split(f"\n## {layer.name}\n")[1].split("\n## ")[0]
        for column in layer.columns:
            assert f"| `{column.name}` | {column.dtype} |" in part
    text = reference("codes.md")
    for name in columns.__all__:
        if name.endswith("_CODES"):
            for code in getattr(columns, name):
                assert f"| `{code}` |" in text


def test_every_command_and_rule_set_is_documented():
    text = reference("commands.md")
    for name in COMMANDS:
        assert f"## screening {name}\n" in text
    text = reference("rule-sets.md")
    for name in RULE_SETS:
        assert f"\n## {name}\n" in text


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(path):
    text = re.sub(r"```.*?```", "", path.read_text("utf-8"), flags=re.DOTALL)
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if target.startswith(("http://", "https://")):
            continue
        name, _, anchor = target.partition("#")
        found = (path.parent / name).resolve() if name else path
        assert found.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.*)$", found.read_text("utf-8"), flags=re.MULTILINE)
            slugs = {re.sub(r"[^\w\- ]", "", heading).strip().lower().replace(" ", "-") for heading in headings}
            assert anchor in slugs, target


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_parameters_named_in_texts_exist(path):
    known = {name for kind in SECTIONS.values() for name in declared(kind)}
    for section, name in re.findall(r"`\[(\w+)\] (\w+)", path.read_text("utf-8")):
        assert section in SECTIONS, section
        assert name in known or name.endswith("_"), f"[{section}] {name}"


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_what_is_said_to_be_held_by_tests_names_the_tests(path):
    text = path.read_text("utf-8")
    for name in re.findall(r"`tests/([\w./]+)`", text):
        assert (ROOT / "tests" / name).exists(), name
    assert not re.search(r"\btested\)", text), "say which test"


def test_nothing_is_promised_that_only_a_visit_can_decide():
    # "never approved" and the like may stand; a place may not be called so.
    for path in PAGES:
        text = path.read_text("utf-8").lower()
        for word in ("approved", "suitable", "compliant"):
            for match in re.finditer(rf"\b{word}\b", text):
                before = text[max(0, match.start() - 40) : match.start()]
                assert re.search(r"never|not|no ", before), f"{path.name}: {text[match.start() - 40 : match.end()]}"


def test_the_run_file_in_getting_started_is_one(tmp_path):
    from screening.params import load_params

    text = (ROOT / "docs" / "getting-started.md").read_text("utf-8")
    block = re.search(r"```toml\n(.*?)```", text, flags=re.DOTALL).group(1)
    (tmp_path / "run.toml").write_text(block, encoding="utf-8")
    params = load_params(tmp_path / "run.toml")
    assert params.inputs.keep_away[0].kind == "well"
    assert params.fields.parcel_id == "PIN"
