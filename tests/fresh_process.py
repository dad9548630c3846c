"""The command in an interpreter of its own, as a shell starts it."""

import os
import shutil
import subprocess
import sys
from pathlib import Path


def in_fresh_process(mix: Path, plan: Path, home: Path, jobs: int, compiled: Path) -> Path:
    """Run a small search from its own folder; returns the folder of results.

    `compiled` is where numba keeps its code; `said.txt` beside the results holds what was said on stderr.
    """
    home.mkdir()
    shutil.copy(mix, home / mix.name)
    shutil.copy(plan, home / "plan.toml")
    options = ["--lufs", "-9", "--config", "plan.toml", "--budget", "14", "--jobs", str(jobs), "-o", "out", "--preview"]
    done = subprocess.run(
        [sys.executable, "-m", "autochain", "suggest", mix.name, *options],
        cwd=home, env={**os.environ, "NUMBA_CACHE_DIR": str(compiled)}, capture_output=True, text=True, check=False,
        timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (home / "said.txt").write_text(done.stderr, encoding="utf-8")
    return home / "out"


def holds_compiled_code(folder: Path) -> bool:
    return any(folder.rglob("*.nbi"))
