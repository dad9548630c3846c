"""Findings in words: the usual end and the distance to it, on the side where the figure lies."""

import pytest

from autochain.prepare.finding import Finding
from autochain.sheet.findings import beyond_usual, kind


def finding(code, value, usual, unit, times_s=()):
    return Finding(code=code, text="", suggestion="", value=value, usual=usual, unit=unit, times_s=times_s)


@pytest.mark.parametrize(
    ("code", "value", "usual", "unit", "words"),
    [
        ("hum", -38.7, -80.0, "dBFS", "Usual: up to -80.0 dBFS; here 41.3 dB more."),
        ("loudness", -30.0, -26.0, "LUFS", "Usual: -26.0 LUFS or more; here 4.0 LU less."),
        ("silence", 4.5, 2.0, "s", "Usual: up to 2.0 s; here 2.5 s more."),
        ("low_end_width", -0.4, 0.3, "", "Usual: 0.30 or more."),
        ("mono_compatibility", -0.4, 0.0, "", "Usual: 0.00 or more."),
        ("clipped", 12.0, 2.0, "places", "Usual: up to 2 places."),
        ("clipped", 12.0, 0.0, "places", "Usual: none."),
        ("level_jump", -6.0, 6.0, "dB", "From 6.0 dB on it sends the mix back."),
        ("resonance", 6.0, None, "dB", ""),
    ],
)
def test_what_is_usual_is_named_on_the_side_where_the_figure_lies(code, value, usual, unit, words):
    assert beyond_usual(finding(code, value, usual, unit)) == words


def test_a_cut_off_end_is_not_called_silence():
    assert kind(finding("silence", -10.7, -50.0, "dBFS", (0.0,))) == "cut-off start"
    assert kind(finding("silence", -10.7, -50.0, "dBFS", (14.0,))) == "cut-off end"
    assert kind(finding("silence", 4.5, 2.0, "s", (14.0,))) == "silence"
    assert kind(finding("level_jump", -6.0, 6.0, "dB")) == "level jump"
