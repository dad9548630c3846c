"""What is said of coders, on readings made up; ceilings by hand: asked for less what the coder added, in 0.1 dB."""

from types import SimpleNamespace

import pytest

from autochain.errors import UsageError
from autochain.render.formats import parse_export
from autochain.render.headroom import headroom_of


def test_one_channel_takes_half_of_what_two_take() -> None:
    assert parse_export("opus:255", 44100, 1).setting == 255
    with pytest.raises(UsageError, match="32 to 255 kbit/s"):
        parse_export("opus:510", 44100, 1)
    assert parse_export("opus:510", 44100, 2).setting == 510


@pytest.mark.parametrize(
    ("comes_back", "master", "ceiling"),
    [(-9.9, -10.4, None), (-1.0, -1.1, None), (-0.6, -1.1, -1.5), (0.25, -1.0, -2.3)],
)
def test_only_a_file_that_comes_back_over_the_ceiling_wants_another(
    comes_back: float, master: float, ceiling: float | None
) -> None:
    reading = SimpleNamespace(figures=SimpleNamespace(true_peak_dbtp=comes_back), clipped=0, kbps=192.0)
    export = parse_export("mp3:192", 44100, 2)
    assert headroom_of(export, reading, -1.0, master).ceiling_dbtp == ceiling
