"""What is said of coders, on readings made up."""

from types import SimpleNamespace

import pytest

from autochain.render.formats import parse_exports
from autochain.render.headroom import headroom_of


@pytest.mark.parametrize(
    ("comes_back", "master", "ceiling"),
    [(-9.9, -10.4, None), (-1.0, -1.1, None), (-0.6, -1.1, -1.5), (0.25, -1.0, -2.3)],
)
def test_only_a_file_that_comes_back_over_the_ceiling_wants_another(
    comes_back: float, master: float, ceiling: float | None
) -> None:
    reading = SimpleNamespace(figures=SimpleNamespace(true_peak_dbtp=comes_back), clipped=0, kbps=192.0)
    export = parse_exports(["mp3:192"], 44100)[1]
    assert headroom_of(export, reading, -1.0, master).ceiling_dbtp == ceiling
