"""Help is there at once: nothing is loaded for it that measures, renders or searches."""

import subprocess
import sys

import pytest

HEAVY = ("numpy", "scipy", "numba", "optuna", "joblib")
ASK = """
import sys
from autochain.cli.main import main
sys.argv = ["autochain", *sys.argv[1:]]
try:
    main()
finally:
    print("LOADED", *(name for name in {heavy!r} if name in sys.modules))
"""


@pytest.mark.parametrize("asked", [["--help"], ["--version"], ["suggest", "--help"], ["compare", "--help"]])
def test_help_and_version_load_nothing_that_works_on_sound(asked: list[str]) -> None:
    run = [sys.executable, "-c", ASK.format(heavy=HEAVY), *asked]
    done = subprocess.run(run, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "LOADED"
    assert len(done.stdout.splitlines()) > 1
