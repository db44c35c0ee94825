"""The command line as such: help, messages, exit codes, and the commands that read nothing."""

from __future__ import annotations

import importlib
import json
import logging
import re
import subprocess
import sys
import tomllib
import warnings

import click
import pytest

import screening
from screening.cli import main as main_module
from screening.cli.main import COMMANDS, main
from screening.cli.options import gather_params
from screening.errors import (
    CRSError,
    InputError,
    OutputExistsError,
    ParameterError,
    SchemaError,
    ScreeningError,
    ScreeningWarning,
    TilesFailedError,
    UnitsError,
)
from screening.params import Params, SoilParams, declared, load_params
from screening.rules import RULE_SETS


@pytest.fixture(autouse=True)
def _messages_as_before(monkeypatch):
    """The group configures logging and warnings for its process; tests share one."""
    package_logger = logging.getLogger("screening")
    before = (package_logger.handlers[:], package_logger.level, package_logger.propagate)
    with warnings.catch_warnings():
        yield
    package_logger.handlers[:], package_logger.level, package_logger.propagate = before


@pytest.fixture
def plant(monkeypatch):
    """Put a command into the group whose body is a function."""

    def put(body, name="planted"):
        module = type(sys)(f"screening.cli.{name}")
        module.command = click.command(name)(body)
        monkeypatch.setitem(sys.modules, f"screening.cli.{name}", module)
        monkeypatch.setattr(main_module, "COMMANDS", {**COMMANDS, name: "Planted."})
        return name

    return put


def test_help_lists_every_command_and_imports_nothing_heavy():
    code = (
        "import sys\n"
        "from screening.cli.main import main\n"
        "try:\n    main(['--help'])\n"
        "except SystemExit:\n    pass\n"
        "heavy = {'numpy', 'pandas', 'geopandas', 'shapely', 'rasterio', 'numba', 'matplotlib', 'scipy'}\n"
        "print('HEAVY', sorted(heavy & set(sys.modules)))\n"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "HEAVY []" in result.stdout
    for name, text in COMMANDS.items():
        assert re.search(rf"^  {name} +{re.escape(text)}$", result.stdout, re.MULTILINE)


def test_python_m_is_the_same_command():
    result = subprocess.run(
        [sys.executable, "-m", "screening", "--version"], capture_output=True, text=True, check=True
    )
    assert result.stdout == f"screening {screening.__version__}\n"


def test_the_version_stands_in_one_place(repository):
    declared = tomllib.loads((repository / "pyproject.toml").read_text("utf-8"))["project"]["version"]
    assert screening.__version__ == declared


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_of_commands_says_what_each_says_itself(name):
    command = importlib.import_module(f"screening.cli.{name}").command
    assert command.help.splitlines()[0] == COMMANDS[name]
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name


@pytest.mark.parametrize(
    ("error", "exit_code"),
    [
        (ScreeningError, 1),
        (ParameterError, 2),
        (InputError, 3),
        (CRSError, 3),
        (UnitsError, 3),
        (SchemaError, 3),
        (OutputExistsError, 3),
        (TilesFailedError, 4),
    ],
)
def test_an_error_of_ours_is_one_sentence_with_its_exit_code(runner, plant, error, exit_code):
    def body():
        raise error("lots.gpkg has no layer 'lots'; it has 'parcels'")

    result = runner.invoke(main, [plant(body)])
    assert result.exit_code == exit_code
    assert result.stderr == "screening: lots.gpkg has no layer 'lots'; it has 'parcels'\n"
    assert result.stdout == ""
    with_traceback = runner.invoke(main, ["--traceback", "planted"])
    assert with_traceback.exit_code == exit_code
    assert "Traceback" in with_traceback.stderr


def test_a_bug_keeps_its_traceback(runner, plant):
    def body():
        raise ZeroDivisionError

    result = runner.invoke(main, [plant(body)])
    assert isinstance(result.exception, ZeroDivisionError)


def test_ctrl_c_is_a_sentence(runner, plant):
    def body():
        raise KeyboardInterrupt

    result = runner.invoke(main, [plant(body)])
    assert result.exit_code == 1
    assert result.stderr.startswith("screening: stopped before the end")


@pytest.mark.parametrize("arguments", [["nope"], ["rules", "--nope"], ["--nope"]])
def test_wrong_usage_is_two(runner, arguments):
    result = runner.invoke(main, arguments)
    assert result.exit_code == 2
    assert "Usage" in result.stderr


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ([], {"WARNING: careful", "WARNING: odd"}),
        (["-q"], set()),
        (["-v"], {"WARNING: careful", "WARNING: odd", "INFO: news"}),
    ],
)
def test_logs_and_warnings_go_to_stderr(runner, plant, options, expected):
    def body():
        logging.getLogger("screening.batch").warning("careful")
        logging.getLogger("screening.batch").info("news")
        warnings.warn("odd", ScreeningWarning, stacklevel=1)
        click.echo("result")

    result = runner.invoke(main, [*options, plant(body)], catch_exceptions=False)
    assert result.stdout == "result\n"
    assert set(result.stderr.splitlines()) == expected


def test_rules_list_every_set(runner):
    result = runner.invoke(main, ["rules"])
    assert result.exit_code == 0
    for name, rule_set in RULE_SETS.items():
        line = next(line for line in result.output.splitlines() if line.startswith(f"{name} "))
        assert f"{rule_set.foundation_m.value:g}" in line
        assert rule_set.title in line
    assert "1.52*" in result.output


def test_rules_of_one_set_tell_each_source(runner):
    result = runner.invoke(main, ["rules", "us-mn"])
    flat = " ".join(result.output.split())
    for value in dict(RULE_SETS["us-mn"].limits()).values():
        assert " ".join(value.source.removeprefix("program default: ").split()) in flat
    data = json.loads(runner.invoke(main, ["rules", "us-mn", "--json"]).output)
    assert data["us-mn"]["values"]["lot_line_m"]["value"] == 3.05
    assert data["us-mn"]["values"]["keep_away steep_slope"]["unit"] == "m"
    assert data["us-mn"]["values"]["max_slope_pct"]["basis"] == "program default"
    assert set(json.loads(runner.invoke(main, ["rules", "--json"]).output)) == set(RULE_SETS)


def test_params_prints_a_run_file(runner, tmp_path):
    result = runner.invoke(main, ["params"])
    (tmp_path / "run.toml").write_text(result.output, encoding="utf-8")
    assert load_params(tmp_path / "run.toml") == Params()
    one = runner.invoke(main, ["params", "soil"]).output
    given = tomllib.loads(one)["soil"]
    assert given == {name: parameter.default for name, parameter in declared(SoilParams).items()}
    data = json.loads(runner.invoke(main, ["params", "soil", "--json"]).output)
    assert data["soil"]["rate_mm_h"]["unit"] == "mm/h"
    assert data["soil"]["rate_mm_h"]["range"] == "> 0, <= 1000"


@pytest.mark.parametrize(
    ("arguments", "hint"),
    [(["rules", "us-mm"], "there are us-midwest"), (["params", "soill"], "did you mean 'soil'?")],
)
def test_unknown_names_are_parameter_errors(runner, arguments, hint):
    result = runner.invoke(main, arguments)
    assert result.exit_code == 2
    assert hint in result.stderr


def test_options_reach_the_parameters(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    run_file = tmp_path / "run.toml"
    run_file.write_text("[rules]\nlot_line_m = 2\n[inputs]\nparcels = 'a.gpkg'", encoding="utf-8")
    params = gather_params(
        run_file,
        ["rules.lot_line_m=3"],
        rule_set="us-nj",
        inputs={"parcels": tmp_path / "it's \\ lots.gpkg", "rain": None},
    )
    assert params.rules.base == "us-nj"
    assert params.rules.lot_line_m == 3.0
    assert params.inputs.parcels == tmp_path / "it's \\ lots.gpkg"
    assert params.inputs.rain is None


def test_the_package_names_its_three_calls():
    assert set(dir(screening)) >= {"run", "screen_tile", "load_params", "__version__"}
    assert screening.load_params is load_params
    with pytest.raises(AttributeError):
        _ = screening.nothing
