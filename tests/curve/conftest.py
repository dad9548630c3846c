"""One traced curve for all tests of the package: three points of a mix of 20 s, few trials."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from autochain.audio.files import read_mix, write_wav
from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.curve.point import Curve
from autochain.curve.trace import Tracer
from autochain.demo import make_demo
from autochain.solve.decisions import Decisions

RATE = 44100
TARGETS = (-16.0, -10.0, -8.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Traced:
    """A curve and what made it."""

    path: Path
    mix: Mix
    tracer: Tracer
    curve: Curve


@pytest.fixture(scope="session")
def curve_mix(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twenty seconds of the rock demo."""
    path = tmp_path_factory.mktemp("curve") / "song.wav"
    write_wav(path, make_demo("dense_rock", RATE, 20.0, 1), RATE, 1)
    return path


@pytest.fixture(scope="session")
def trace_with(curve_mix: Path, small_plan: Path) -> Callable[..., Traced]:
    """A fresh run with a number of jobs."""

    def run(jobs: int, targets: Sequence[float] = TARGETS) -> Traced:
        mix = read_mix(curve_mix)
        tracer = Tracer(mix, read_config(small_plan, {"search": {"budget": 16}}), Decisions(), jobs, lambda *_: None)
        return Traced(path=curve_mix, mix=mix, tracer=tracer, curve=tracer.run(targets))

    return run


@pytest.fixture(scope="session")
def traced(trace_with: Callable[..., Traced]) -> Traced:
    return trace_with(2)
