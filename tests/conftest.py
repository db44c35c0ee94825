"""What every test file may use; each file makes its own data."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import settings

# the same examples every time: a failure in one place can be looked at in another
settings.register_profile("steady", derandomize=True, deadline=None, database=None)
settings.load_profile("steady")


@pytest.fixture
def repository() -> Path:
    """The folder of the repository."""
    return Path(__file__).resolve().parent.parent


@pytest.fixture
def runner() -> CliRunner:
    """Runs commands without a process."""
    return CliRunner()
