"""Paths and tools for all tests of this folder."""

import os
import pathlib
import sys

import pytest

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))


@pytest.fixture(scope="session")
def target():
    """Folder for what tests make or fetch; never committed."""
    folder = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", HERE.parent.parent / "target")) / "outside"
    folder.mkdir(parents=True, exist_ok=True)
    return folder
