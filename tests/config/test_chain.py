"""The [chain] part: order, defaults, ranges and bands reach the plan; every problem is told with its address."""

import pytest

from autochain.chain.chain import STAGES
from autochain.chain.settings import NOTHING_SET
from autochain.config import read_config
from autochain.errors import ConfigError
from autochain.resources import resource

ORDER = list(STAGES)


def config(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return read_config(path)


def problems(tmp_path, text):
    with pytest.raises(ConfigError) as caught:
        config(tmp_path, text)
    return str(caught.value).splitlines()


def test_without_a_word_the_chain_is_the_whole_one():
    plan = read_config().chain_plan
    assert list(plan.stages) == ORDER
    assert plan.stages == STAGES
    assert plan.given == NOTHING_SET


def test_the_example_loads_and_means_what_its_comments_say():
    found = read_config(resource("configs", "example_chain.toml"))
    plan = found.chain_plan
    assert list(plan.stages)[-3:] == ["clipper", "limiter", "output"]
    assert "transient" not in plan.stages
    bus = plan.stages["bus_compressor"]
    assert bus.parameter("ratio").default == 1.5
    assert (bus.parameter("attack_ms").low, bus.parameter("attack_ms").high) == (10.0, 40.0)
    assert found.search.ranges.bus_attack_ms == (10.0, 40.0)
    assert found.search.ranges.bus_release_ms == (80.0, 300.0)
    assert found.search.trade_default.bus_release_ms == 120.0
    limiter = plan.stages["limiter"].parameter("release_behaviour")
    assert limiter.default == "two_stage"
    assert plan.stages["output"].parameter("head_silence_ms").default == 300.0
    assert plan.linear == ("rotation", "equaliser", "tone")
    assert plan.leading == ("rotation", "equaliser")
    assert plan.dynamics == ("bus_compressor", "peak_compressor", "tone")
    assert plan.given["equaliser"].word("band1_type") == "highpass"
    assert plan.given["equaliser"]["band2_gain_db"] == -0.8
    assert plan.given["tone"]["band1_freq_hz"] == 9000.0


@pytest.mark.parametrize(
    ("order", "words"),
    [
        (["drive", "limiter"], "end with limiter and output"),
        (["drive", "output", "limiter"], "end with limiter and output"),
        (["limiter", "output"], "must hold drive"),
        (["drive", "clippr", "limiter", "output"], "'clippr', which is no stage. Did you mean clipper?"),
        (["drive", "clipper", "clipper", "limiter", "output"], "clipper twice"),
        (["clipper", "drive", "limiter", "output"], "has clipper on the wrong side of the drive. Move it after drive"),
        (["drive", "equaliser", "limiter", "output"], "has equaliser on the wrong side of the drive. Move it before"),
    ],
)
def test_an_order_that_cannot_be_is_refused(tmp_path, order, words):
    (line,) = problems(tmp_path, f"[chain]\norder = {order}")
    assert line.startswith("mine.toml: chain.order is ")
    assert words in line


def test_all_problems_are_told_at_once(tmp_path):
    lines = problems(
        tmp_path,
        """
        [chain.limiter]
        release_m = 3.0
        lookahead_ms = 400.0
        [chain.bus_compressor]
        ratio = { low = 3.0, high = 2.0 }
        knee_db = { from = 1.0 }
        attack_ms = true
        [[chain.equaliser.bands]]
        gian_db = 1.0
        [[chain.equaliser.bands]]
        type = "bel"
        freq_hz = 1e9
        [chain.clippr]
        softness = 3.0
        """,
    )
    expected = [
        "mine.toml: chain.limiter.release_m is not a known key. Did you mean release_ms?",
        "mine.toml: chain.limiter.lookahead_ms is 400.0; it must be 0.5 to 10 ms.",
        "mine.toml: chain.bus_compressor.ratio is { low = 3.0, high = 2.0 }; it has low 3 above high 2.",
        "mine.toml: chain.bus_compressor.knee_db is { from = 1.0 }; it may hold default, low, high, not from.",
        "mine.toml: chain.bus_compressor.attack_ms is True; it must be a number.",
        "mine.toml: chain.clippr is not a known key. Did you mean clipper?",
        "mine.toml: chain.equaliser.bands.1.gian_db is not a known key. Did you mean gain_db?",
    ]
    assert set(expected) <= set(lines)
    (kind,) = [line for line in lines if ".type " in line]
    assert kind.startswith("mine.toml: chain.equaliser.bands.2.type is 'bel'; it must be one of bell, ")
    assert any(line.startswith("mine.toml: chain.equaliser.bands.2.freq_hz is 1000000000.0") for line in lines)
    assert len(lines) == len(expected) + 2


def test_ranges_that_share_nothing_with_the_search_are_refused_naming_both(tmp_path):
    (line,) = problems(tmp_path, "[chain.limiter]\nrelease_ms = { low = 500.0 }")
    assert line == (
        "mine.toml: search.ranges.limiter_release_ms is [5.0, 400.0], but chain.limiter.release_ms allows "
        "500 to 1000. Let them overlap."
    )


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[chain.rotation]\nkind = "allpass"', "rotation.kind is 'allpass'; it is found anew for every mix"),
        ("[chain.limiter]\nceiling_dbtp = { low = -1.0 }", "use --lock limiter.ceiling_dbtp"),
        ("[chain.drive]\ngain_db = { high = 3.0 }", "use --lock drive.gain_db"),
        ("[chain.output]\ntrim_db = -1.0", "lower target.ceiling_dbtp"),
        ("[chain.limiter]\nrelease_ms = { low = 50.0, high = 50.0 }", "Use --lock limiter.release_ms=50"),
        ("[chain.bus_compressor]\nratio = { low = 2.0, high = 2.0 }", "Use --lock bus_compressor.ratio=2 for a single"),
        (
            "[chain.limiter]\nrelease_ms = { low = 0.5, high = 80.0 }",
            "chain.limiter.release_ms.low is 0.5; it must be 2 to 1000 ms.",
        ),
        (
            '[chain.limiter]\nrelease_ms = { high = "long" }',
            "chain.limiter.release_ms.high is 'long'; it must be a number.",
        ),
        (
            "[chain.limiter]\nrelease_ms = { low = 90.0, high = 80.0 }",
            "chain.limiter.release_ms is { low = 90.0, high = 80.0 }; it has low 90 above high 80.",
        ),
        ("[chain.bus_compressor]\nsidechain_hpf_hz = { low = 0.0 }", "0, which means off, as an end of its range"),
        ('[chain.limiter]\nrelease_ms = "50"', "chain.limiter.release_ms is '50'; it must be a number."),
        ("[chain.limiter]\nrelease_behaviour = 0.5", "must be one of fixed, by_work, two_stage"),
        ('[chain]\norder = "drive"', "chain.order is 'drive'; it must be a list."),
        ("[chain]\nlimiter = 3", "chain.limiter is 3; it must be a table."),
        (
            '[chain]\norder = ["drive", "limiter", "output"]\n[chain.tone]\nphase = "linear"',
            "chain.tone is set, but chain.order leaves it out",
        ),
        ("[chain]\n" + "[[chain.tone.bands]]\nfreq_hz = 100.0\n" * 100, "chain.tone.bands"),
    ],
)
def test_what_a_configuration_cannot_say_is_refused_with_a_cure(tmp_path, text, words):
    (line,) = problems(tmp_path, text)
    assert line.startswith("mine.toml: ")
    assert words in line
    assert not line.endswith("..")


def test_a_default_of_what_the_search_moves_is_the_trade_default(tmp_path):
    text = "[chain.limiter]\nrelease_ms = 120.0\nlookahead_ms = { default = 4.0 }"
    start = config(tmp_path, text).search.trade_default
    assert (start.limiter_release_ms, start.limiter_lookahead_ms) == (120.0, 4.0)


def test_an_empty_band_keeps_its_place(tmp_path):
    text = "[[chain.tone.bands]]\n[[chain.tone.bands]]\nfreq_hz = 200.0\n"
    given = config(tmp_path, text).chain_plan.given["tone"]
    assert (given["band1_gain_db"], given["band2_freq_hz"]) == (0.0, 200.0)


def test_the_search_and_its_baselines_stay_inside_a_narrower_range(tmp_path):
    search = config(tmp_path, "[chain.limiter]\nrelease_ms = { low = 30.0, high = 100.0 }").search
    assert search.ranges.limiter_release_ms == (30.0, 100.0)
    assert search.baselines.release_ms == (30.0, 40.0, 90.0, 100.0)
    low = config(tmp_path, "[chain.limiter]\nlookahead_ms = { low = 4.0 }").search
    assert low.trade_default.limiter_lookahead_ms == 4.0
