"""Every animal of the zoo: what `check` finds, what comes of a run, what `start` guesses (tests/zoo)."""

from __future__ import annotations

import sqlite3
import tomllib
from collections import Counter
from contextlib import closing

import pytest
from made_trouble import USUAL
from zoo.animal import ABSENT, Goes, Refused
from zoo.animals import ANIMALS

from screening.batch import run
from screening.checks import check_city
from screening.cli.main import main
from screening.columns import TROUBLES
from screening.errors import ScreeningError
from screening.params import load_params

SLOW = {"two_kinds_of_feet"}
"""Animals whose coordinate system takes seconds to look up."""

EVERY = [animal for animals in ANIMALS.values() for animal in animals]
EACH = [pytest.param(animal, id=animal.name, marks=[pytest.mark.slow] if animal.name in SLOW else [])
        for animals in ANIMALS.values() for animal in animals]  # fmt: skip
ROLES = ("parcels", "buildings", "elevation", "rain", "streets")


def test_the_zoo_is_large_and_its_names_and_codes_are_known():
    names = [animal.name for animal in EVERY]
    assert len(names) >= 40
    assert not [name for name, n in Counter(names).items() if n > 1]
    codes = {code: severity for animal in EVERY for code, severity in animal.check.items()}
    assert set(codes) <= set(TROUBLES)


def counts_of(result):
    """Candidates, reasons, merged, flags and repairs of a result."""
    with closing(sqlite3.connect(result)) as base:
        n = base.execute("SELECT count(*) FROM candidate_homes").fetchone()[0]
        reasons = dict(base.execute("SELECT reason_code, count(*) FROM other_parcels GROUP BY 1"))
        merged = dict(base.execute("SELECT merge_code, count(*) FROM merged_parcels GROUP BY 1"))
        flags = Counter(
            flag for (text,) in base.execute("SELECT flags FROM candidate_homes") for flag in (text or "").split(";")
        )
        record = dict(base.execute("SELECT key, value FROM run_record"))
    repairs = {key.removeprefix("repairs."): int(n) for key, n in record.items() if key.startswith("repairs.")}
    read = int(record["n_parcels_read"])
    assert read == n + sum(reasons.values()) + sum(merged.values())
    return n, reasons, merged, flags, repairs


@pytest.mark.parametrize("animal", EACH)
def test_check_and_run(animal, tmp_path):
    settings = animal.town_in(tmp_path)
    try:
        params = load_params(None, settings)
    except ScreeningError as error:
        # What the parameters themselves forbid is said before any file is opened.
        assert isinstance(animal.run, Refused)
        assert set(animal.check) == {"parameter_wrong"}
        assert_refused(error, animal.run)
        return
    found = {one.code: one.severity for one in check_city(params).findings if one.code not in USUAL}
    grave = {code: severity for code, severity in found.items() if severity != "note"}
    assert grave == {code: severity for code, severity in animal.check.items() if severity != "note"}
    assert {code: found.get(code) for code in animal.check} == animal.check
    if isinstance(animal.run, Refused):
        assert "error" in animal.check.values()
        with pytest.raises(ScreeningError) as caught:
            run(params, output=tmp_path / "homes.gpkg", jobs=1)
        assert_refused(caught.value, animal.run)
        assert not (tmp_path / "homes.gpkg").exists()
        return
    assert "error" not in animal.check.values()
    run(params, output=tmp_path / "homes.gpkg", jobs=1)
    n, reasons, merged, flags, repairs = counts_of(tmp_path / "homes.gpkg")
    wanted = animal.run
    low, high = wanted.candidates if isinstance(wanted.candidates, tuple) else (wanted.candidates, wanted.candidates)
    assert low <= n <= high
    if low == high:
        assert reasons == wanted.reasons
    else:
        assert wanted.reasons.items() <= reasons.items()
    assert merged == wanted.merged
    assert repairs == wanted.repairs
    assert {flag: flags[flag] for flag in wanted.flags} == wanted.flags


def assert_refused(error, wanted):
    assert error.exit_code == wanted.exit_code
    assert wanted.words in str(error)
    assert "\n" not in str(error)


@pytest.mark.parametrize("animal", [one for one in EACH if one.values[0].start is not None])
def test_start(animal, runner, tmp_path):
    settings = animal.town_in(tmp_path)
    named = [text for role in ROLES if (path := settings.get(f"inputs.{role}")) for text in (f"--{role}", str(path))]
    target = tmp_path / "guessed.toml"
    done = runner.invoke(main, ["start", *named, "-o", str(target)])
    refused = animal.start.get("")
    if refused:
        assert done.exit_code in {2, 3}
        assert refused.removeprefix("~") in done.stderr
        assert not target.exists()
        return
    assert done.exit_code == 0, done.output
    guessed = tomllib.loads(target.read_text("utf-8"))
    for key, value in animal.start.items():
        section, name = key.split(".")
        if value is ABSENT:
            assert name not in guessed.get(section, {})
        else:
            assert guessed.get(section, {}).get(name) == value
    if not animal.start_runs:
        return
    done = runner.invoke(main, ["run", str(target), "-o", str(tmp_path / "homes.gpkg"), "--jobs", "1", "--no-progress"])
    assert done.exit_code == 0, done.output
    n = counts_of(tmp_path / "homes.gpkg")[0]
    wanted = animal.run.candidates if isinstance(animal.run, Goes) else 36
    assert n == wanted
