"""Where compiled code is kept when the usual places cannot be written."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from autochain.resources import keep_compiled_code


@pytest.fixture
def no_folder(tmp_path: Path) -> Path:
    """A place under which nothing can be made, for whatever user: a file."""
    path = tmp_path / "file"
    path.write_text("", encoding="utf-8")
    return path


def test_nothing_is_named_where_the_package_or_the_home_can_be_written(tmp_path: Path, no_folder: Path) -> None:
    assert keep_compiled_code({"HOME": str(no_folder)}, tmp_path) is None
    assert keep_compiled_code({"HOME": str(tmp_path)}, no_folder) is None


def test_a_folder_of_the_user_s_own_is_named_where_neither_can(no_folder: Path) -> None:
    environment = {"HOME": str(no_folder)}
    folder = keep_compiled_code(environment, no_folder)
    assert folder is not None
    assert environment["NUMBA_CACHE_DIR"] == str(folder)
    assert not folder.stat().st_mode & 0o022
    assert keep_compiled_code(environment, no_folder) is None  # what is named already is left alone


def test_numba_compiles_there(no_folder: Path, tmp_path: Path) -> None:
    environment = {"HOME": str(no_folder)}
    keep_compiled_code(environment, no_folder)
    code = tmp_path / "loop.py"
    code.write_text(
        "from numba import njit\n@njit(cache=True)\ndef f(x):\n    return x + 1\nprint(f(1), f.stats.cache_path)\n",
        encoding="utf-8",
    )
    ran = subprocess.run(
        [sys.executable, code], env={**os.environ, **environment}, capture_output=True, text=True, check=True
    )
    assert ran.stdout.startswith(f"2 {environment['NUMBA_CACHE_DIR']}")
