"""What a command loads: help is there at once, and a job loads no library that it makes no use of."""

import subprocess
import sys

import pytest

HEAVY = ("numpy", "scipy", "numba", "optuna", "joblib")
# Each takes a tenth of a second of CPU time or more, scipy.signal with scipy.stats three quarters.
UNUSED = ("scipy.signal", "scipy.stats", "scipy.interpolate", "optuna", "joblib", "rich", "pyloudnorm")
ASK = """
import sys
from autochain.cli.main import main
sys.argv = ["autochain", *sys.argv[1:]]
try:
    main()
finally:
    print("LOADED", *(name for name in {heavy!r} if name in sys.modules))
"""


@pytest.mark.parametrize("asked", [["--help"], ["--version"], ["suggest", "--help"], ["desk", "--help"]])
def test_help_and_version_load_nothing_that_works_on_sound(asked: list[str]) -> None:
    run = [sys.executable, "-c", ASK.format(heavy=HEAVY), *asked]
    done = subprocess.run(run, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "LOADED"
    assert len(done.stdout.splitlines()) > 1


@pytest.mark.parametrize("job", ["check", "suggest"])
def test_a_job_that_stops_before_it_reads_a_sound_has_loaded_no_library_that_it_does_not_use(job: str) -> None:
    """All that a search needs is loaded by then, but the sampler, which is loaded behind the first trials."""
    run = [sys.executable, "-c", ASK.format(heavy=UNUSED), job, "no-such-file.wav"]
    done = subprocess.run(run, capture_output=True, text=True, check=False)
    assert "no-such-file.wav" in done.stderr
    assert done.stdout.splitlines()[-1] == "LOADED"
