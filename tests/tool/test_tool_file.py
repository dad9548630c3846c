"""The file of a tool: written plainly, read strictly."""

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

from autochain.errors import ConfigError
from autochain.tool import signal
from autochain.tool.compressor_model import CompressorModel
from autochain.tool.knobs import ToolKnob
from autochain.tool.limiter_model import LimiterModel
from autochain.tool.refusal import ToolError
from autochain.tool.tool import BounceRead, Tool, plain_model, tool_of_file


def bounce(attack_knob: float, attack_ms: float, **more) -> BounceRead:
    model = CompressorModel(threshold_dbfs=-20.0, ratio=2.0, knee_db=6.0, attack_ms=attack_ms, release_ms=100.0)
    values = {"file": "böunce \"1\".wav", "sha256": "0" * 64, "rate_hz": 48000, "delay_samples": 64.0, "polarity": -1,
              "gain_db": 0.0, "residual_db": 0.01, "programme_db": 0.02, "knobs": {"attack": attack_knob},
              "noted": {"mode": "2", "odd key": "x"}, "model": plain_model(model)}  # fmt: skip
    return BounceRead(**{**values, **more})


TOOL = Tool(
    name="bus 1",
    kind="compressor",
    test="compressor",
    bounces=(bounce(10.0, 2.5), bounce(40.0, 10.0)),
    knobs={"attack": ToolKnob(role="attack", word="Speed", low=0.1, high=80.0, step=0.1)},
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bus.tool.toml"


def test_what_is_written_is_read_back(path: Path) -> None:
    path.write_text(TOOL.toml(), encoding="utf-8")
    again = tool_of_file(path)
    assert (again.name, again.kind, again.bounces) == (TOOL.name, TOOL.kind, TOOL.bounces)
    assert dict(again.knobs) == TOOL.knobs
    assert again.toml() == TOOL.toml()
    assert tomllib.loads(TOOL.toml())["test_sha256"] == signal.test_sha256("compressor")
    assert again.at({"attack": 20.0}).attack_ms == pytest.approx(5.0)
    assert again.positions_for({"attack": 6.0, "ratio": 3.0}) == {"attack": 24.0}


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ('kind = "compressor"', 'kind = "gate"', "kind is 'gate'"),
        ("format_version = 1", "format_version = 2", "format_version is 2"),
        ('word = "Speed"', 'word = "Speed"\ncolour = "red"', "knobs.attack.colour is not known here"),
        ("step = 0.1", "step = -0.1", "knobs.attack.step is -0.1"),
        ("[knobs.attack]", "[knobs.mood]", "knobs.mood is no knob of a compressor"),
        ('detector = "peak"', 'detector = "nose"', "model.detector"),
        ("attack_ms = 2.5", "attack_ms = 2.5\nglow = 1.0", "model has glow"),
        ("polarity = -1", "polarity = 0", "bounce.0.polarity is 0"),
        ("residual_db = 0.01\n", "", "bounce.0.residual_db is missing"),
        ("attack = 40.0", "attack = 10.0", None),
        ("attack_ms = 2.5", "attack_ms = 0.0", "model.attack_ms is 0; it must be 0.001 to 60000"),
        ("ratio = 2.0", 'ratio = "2.0"', "model.ratio"),
        ("ratio = 2.0", "ratio = nan", "model.ratio is nan"),
        ("low = 0.1", "low = 90.0", "knobs.attack goes from 90 to 80"),
        ("high = 80.0", "high = 1e300", "knobs.attack"),
        ("gain_db = 0.0", "gain_db = true", "bounce.0.gain_db is True"),
        ('word = "Speed"', 'word = "Spe\\u001bed"', "knobs.attack.word"),
    ],
)
def test_a_file_that_cannot_hold_is_refused_with_its_place(path: Path, old: str, new: str, reason: str | None) -> None:
    assert old in TOOL.toml()
    path.write_text(TOOL.toml().replace(old, new, 1), encoding="utf-8")
    if reason is None:  # the same knob twice: the mean of what was read
        assert tool_of_file(path).maps["attack"].points == ((10.0, 6.25),)
        return
    with pytest.raises(ToolError, match=re.escape(reason)):
        tool_of_file(path)


def test_a_file_of_another_test_is_refused(path: Path) -> None:
    path.write_text(TOOL.toml().replace(signal.test_sha256("compressor"), "f" * 64), encoding="utf-8")
    with pytest.raises(ToolError, match="Bounce the test anew"):
        tool_of_file(path)


@pytest.mark.parametrize("broken", ["[[bounce", "a = " + "[" * 100_000, "a = " + "9" * 6000, "a = \x00"])
def test_what_is_no_toml_is_refused(path: Path, broken: str) -> None:
    path.write_text(TOOL.toml() + broken, encoding="utf-8")
    with pytest.raises(ConfigError, match="not valid TOML"):
        tool_of_file(path)


def test_a_knob_that_stood_nowhere_is_refused(path: Path) -> None:
    path.write_text(re.sub(r"(?m)^attack = .*\n", "", TOOL.toml()), encoding="utf-8")
    with pytest.raises(ToolError, match=r"knobs\.attack is there, and no bounce says how it stood"):
        tool_of_file(path)


def test_fixed_places_at_zero_and_under_it_are_places(path: Path) -> None:
    """Times and ratios are told in ratios, which such places have not."""
    path.write_text(TOOL.toml().replace("step = 0.1", "positions = [-1.0, 0.0, 20.0]"), encoding="utf-8")
    assert tool_of_file(path).positions_for({"attack": 6.0}) == {"attack": 20.0}


def test_a_knob_turned_far_beyond_what_was_read_moves_the_model_within_its_range(path: Path) -> None:
    path.write_text(TOOL.toml().replace("attack = 40.0", "attack = 10.000001"), encoding="utf-8")
    tool = tool_of_file(path)
    assert [tool.at({"attack": at}).attack_ms for at in (1.0, 80.0)] == [0.001, 60_000.0]


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"cannot be read .* Check the path of --tools"):
        tool_of_file(tmp_path / "none.tool.toml")


def test_a_model_that_fits_badly_is_not_trusted() -> None:
    read = bounce(1.0, 1.0, programme_db=0.9)
    badly = Tool(name="x", kind="compressor", test="compressor", bounces=(read,), knobs={})
    assert TOOL.trusted
    assert not badly.trusted


@pytest.mark.parametrize("model", [
    CompressorModel(threshold_dbfs=-20.0, ratio=2.0, knee_db=6.0, attack_ms=5.0, release_ms=9.0, lookahead_ms=900.0),
    *(
        LimiterModel(ceiling_dbfs=-12.0, way=way, release_ms=9.0, lookahead_ms=900.0)
        for way in ("smooth", "ramp", "instant")
    ),
], ids=["compressor", "smooth", "ramp", "instant"])  # fmt: skip
def test_a_look_ahead_longer_than_the_sound_leaves_its_length(model) -> None:
    sound = np.random.default_rng(1).standard_normal((2000, 2))
    out = model.process(sound, 44100)
    assert out.shape == sound.shape
    assert np.isfinite(out).all()


def test_what_is_known_of_levels_over_full_scale_is_kept(path: Path) -> None:
    assert TOOL.over_full_scale == "unknown"
    path.write_text(TOOL.toml().replace('over_full_scale = "unknown"', 'over_full_scale = "passes"'), encoding="utf-8")
    assert tool_of_file(path).over_full_scale == "passes"
    path.write_text(TOOL.toml().replace('over_full_scale = "unknown"\n', ""), encoding="utf-8")  # an older file
    assert tool_of_file(path) == TOOL
    path.write_text(TOOL.toml().replace('over_full_scale = "unknown"', 'over_full_scale = "maybe"'), encoding="utf-8")
    with pytest.raises(ToolError, match="over_full_scale is 'maybe'"):
        tool_of_file(path)
