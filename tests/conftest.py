"""Shared by all tests: the hypothesis profile and a furnished shop floor on both databases."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from kit import KINDS, Floor, open_floor

pytest_plugins = ["web_fixture", "kit_browser"]

settings.register_profile(
    "ci",
    max_examples=100,
    deadline=None,
    derandomize=True,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("long", max_examples=2000, deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


@pytest.fixture(scope="session")
def session_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("templates")


@pytest.fixture(params=KINDS)
def floor(request: pytest.FixtureRequest, tmp_path: Path, session_folder: Path) -> Iterator[Floor]:
    """A furnished shop, once on SQLite and once on PostgreSQL."""
    with open_floor(request.param, tmp_path, session_folder) as made:
        yield made


@pytest.fixture
def lite(tmp_path: Path, session_folder: Path) -> Iterator[Floor]:
    """A furnished shop on SQLite alone, where the database makes no difference."""
    with open_floor("sqlite", tmp_path, session_folder) as made:
        yield made
