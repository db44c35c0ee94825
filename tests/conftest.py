"""What every test file may use; each file makes its own data."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner


@pytest.fixture
def repository() -> Path:
    """The folder of the repository."""
    return Path(__file__).resolve().parent.parent


@pytest.fixture
def runner() -> CliRunner:
    """Runs commands without a process."""
    return CliRunner()
