"""Config: the packaged default stands, a file goes over it, and every problem is told at once with its address."""

import pickle
import tomllib

import pytest

from autochain.chain.chain import STAGES
from autochain.config import check_target, read_config
from autochain.config.model import Target
from autochain.errors import ConfigError, TargetError
from autochain.resources import resource
from autochain.search.costs import COST_NAMES
from autochain.search.request import config_sha256


def problems(tmp_path, text, overrides=None):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        read_config(path, overrides)
    assert caught.value.exit_code == 2
    return str(caught.value).splitlines()


def test_the_packaged_default_loads_and_says_everything_itself():
    config = read_config()
    written = tomllib.loads(resource("configs", "default.toml").read_text(encoding="utf-8"))
    # What a stage is by itself is said by the stage: the tables of [chain] need not repeat it.
    dumped = config.model_dump(exclude_unset=True)

    def same(mine, theirs):
        assert set(mine) == set(theirs)
        for key, value in mine.items():
            if isinstance(value, dict):
                same(value, theirs[key])
            else:
                assert theirs[key] == (tuple(value) if isinstance(value, list) else value)

    same(written, dumped)
    assert set(dumped["weights"]) == set(COST_NAMES)


def test_the_default_ranges_hold_the_trade_default_and_what_the_stages_can_be_set_to():
    search = read_config().search
    stages = {"bus": "bus_compressor", "peak": "peak_compressor", "limiter": "limiter"}
    for name, value in search.trade_default.model_dump().items():
        low, high = getattr(search.ranges, name)
        assert low <= value <= high
        stage, _, parameter = name.partition("_")
        if stage in stages and name.endswith("_ms"):
            known = STAGES[stages[stage]].parameter(parameter)
            assert known.low <= low < high <= known.high


def test_a_file_replaces_only_what_it_names(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("[search]\nbudget = 40\n[search.ranges]\nclip_share = [0.0, 0.5]\n", encoding="utf-8")
    default, mine = read_config(), read_config(path)
    assert mine.search.budget == 40
    assert mine.search.ranges.clip_share == (0.0, 0.5)
    assert mine.search.ranges.bus_attack_ms == default.search.ranges.bus_attack_ms
    assert mine.weights == default.weights


def test_the_command_line_goes_over_the_file(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("[target]\nlufs = -12.0\n[search]\nseed = 3\n", encoding="utf-8")
    config = read_config(path, {"target": {"lufs": -10.0}})
    assert (config.target.lufs, config.search.seed) == (-10.0, 3)


def test_all_problems_are_told_at_once_each_on_a_line_with_its_address(tmp_path):
    text = """
        [target]
        lufs = "loud"
        [search]
        bugdet = 40
        batch = 0
        [search.ranges]
        bus_attack_ms = [60.0, 3.0]
        clip_share = [0.0, 1.5]
        [search.trade_default]
        limiter_releas_ms = 80.0
        [weights]
        crest_loss_db = -1.5
        taste = 3.0
        [[wishes]]
        """
    lines = problems(tmp_path, text)
    assert sorted(lines) == [
        "mine.toml: search.batch is 0; it should be greater than or equal to 1.",
        "mine.toml: search.bugdet is not a known key. Did you mean budget?",
        "mine.toml: search.ranges.bus_attack_ms is [60.0, 3.0]; it must rise from low to high.",
        "mine.toml: search.ranges.clip_share is [0.0, 1.5]; it must lie between 0 and 1.",
        "mine.toml: search.trade_default.limiter_releas_ms is not a known key. Did you mean limiter_release_ms?",
        "mine.toml: target.lufs is 'loud'; it should be a valid number.",
        "mine.toml: weights.crest_loss_db is -1.5; it should be greater than or equal to 0.",
        "mine.toml: weights.taste is not a known key. Remove it.",
        "mine.toml: wishes is not a known key. Remove it.",
    ]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        # A range that no stage can be set to would end in a logarithm of zero.
        ("[search.ranges]\nbus_attack_ms = [0.0, 60.0]", "search.ranges.bus_attack_ms is [0.0, 60.0]; it must lie"),
        ("[search.ranges]\nbus_work_db = [1.0]", "search.ranges.bus_work_db.1 is missing"),
        ("[search.ranges]\nonset_db = [0.0, inf]", "search.ranges.onset_db.1 is inf; it should be a finite number"),
        ("[search.trade_default]\nlimiter_release_ms = 1.0", "search.trade_default.limiter_release_ms is 1.0; it must"),
        ("[search.baselines]\nlookahead_ms = [3.0, 20.0]", "search.baselines.lookahead_ms is [3.0, 20.0]; it must lie"),
        ("[search.baselines]\nrelease_ms = []", "search.baselines.release_ms is []"),
        ("[search.excerpts]\nlength_s = 5.1", "search.excerpts.length_s is 5.1; it should be a multiple of 0.4"),
        ("[search.excerpts]\ncount = 5", "search.excerpts.count is 5"),
        ("[search.drive]\nmax_db = 30.0", "search.drive.max_db is 30.0"),
        ("[weights]\ncrest_loss_db = nan", "weights.crest_loss_db is nan; it should be a finite number"),
        ("[target]\nceiling_dbtp = nan", "target.ceiling_dbtp is nan; it should be a finite number"),
        ("search = 3", "search is 3"),
    ],
)
def test_a_value_that_means_nothing_is_refused_at_its_address(tmp_path, text, line):
    (only,) = problems(tmp_path, text)
    assert only.startswith(f"mine.toml: {line}"), only


def test_problems_of_the_command_line_are_not_blamed_on_the_file(tmp_path):
    lines = problems(tmp_path, "[search]\nbatch = 0\n", {"search": {"budget": 1}})
    assert sorted(line.partition(" is ")[0] for line in lines) == [
        "command line: search.budget",
        "mine.toml: search.batch",
    ]


@pytest.mark.parametrize("text", ["[search\n", "budget = \n", "a = 1\na = 2\n"])
def test_broken_toml_is_one_line_with_the_place(tmp_path, text):
    (only,) = problems(tmp_path, text)
    assert "mine.toml: not valid TOML" in only
    assert "line" in only


def test_a_file_that_cannot_be_read_is_one_line(tmp_path):
    for path in (tmp_path / "absent.toml", tmp_path):
        with pytest.raises(ConfigError, match=r"cannot be read .*--config"):
            read_config(path)
    (tmp_path / "odd.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="not valid TOML"):
        read_config(tmp_path / "odd.toml")


@pytest.mark.parametrize(("lufs", "ceiling"), [(-40.0, -1.0), (0.0, 0.0), (-1.0, -3.0), (-18.0, -20.0)])
def test_targets_at_the_ends_are_allowed(lufs, ceiling):
    check_target(Target(lufs=lufs, ceiling_dbtp=ceiling))
    check_target(Target(loudest_part_lufs=lufs, ceiling_dbtp=ceiling))


@pytest.mark.parametrize(
    ("lufs", "ceiling", "words"),
    [
        (-40.01, -1.0, "outside -40 to 0 LUFS"),
        (0.01, 0.0, "outside -40 to 0 LUFS"),
        (-9.0, 0.01, "above 0 dBTP"),
        (-23.0, -20.01, "below -20 dBTP"),
        (-0.99, -3.0, "2.0 LU above the ceiling of -3 dBTP"),
    ],
)
def test_targets_beyond_the_ends_are_refused(lufs, ceiling, words):
    with pytest.raises(TargetError, match=words):
        check_target(Target(lufs=lufs, ceiling_dbtp=ceiling))
    with pytest.raises(TargetError, match=words) as caught:
        check_target(Target(loudest_part_lufs=lufs, ceiling_dbtp=ceiling))
    assert "--lufs" not in str(caught.value)


@pytest.mark.parametrize(("below", "above"), [("lufs", "loudest_part_lufs"), ("loudest_part_lufs", "lufs")])
def test_the_one_loudness_takes_the_place_of_the_other(tmp_path, below, above):
    path = tmp_path / "mine.toml"
    path.write_text(f"[target]\n{below} = -12.0\n", encoding="utf-8")
    of_file = read_config(path).target
    assert (getattr(of_file, below), getattr(of_file, above)) == (-12.0, None)
    asked = read_config(path, {"target": {above: -10.0}}).target
    assert (getattr(asked, below), getattr(asked, above)) == (None, -10.0)
    assert asked.loudness_lufs == -10.0
    assert asked.of_loudest_part == (above == "loudest_part_lufs")
    assert read_config(path, {"target": {"ceiling_dbtp": -2.0}}).target.loudness_lufs == -12.0


def test_two_loudnesses_in_one_file_are_refused_naming_both(tmp_path):
    (line,) = problems(tmp_path, "[target]\nlufs = -9.0\nloudest_part_lufs = -7.0\n")
    assert "lufs = -9.0, loudest_part_lufs = -7.0" in line
    assert line.endswith("it has two loudnesses, lufs and loudest_part_lufs. Remove one of them.")


def test_another_process_gets_the_same_configuration(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text("[chain.limiter]\nrelease_ms = { low = 10.0, high = 50.0 }\n")
    config = read_config(path, {"target": {"lufs": -12.3456789}})
    sent = pickle.loads(pickle.dumps(config))
    assert sent == config
    assert config_sha256(sent) == config_sha256(config)
    assert sent.chain_plan == config.chain_plan


@pytest.mark.parametrize(("key", "given"), [("noise_dbfs", "-inf"), ("jump_revisit_db", "inf"), ("dc_dbfs", "nan")])
def test_a_limit_of_check_without_an_end_is_refused(tmp_path, key, given):
    path = tmp_path / "mine.toml"
    path.write_text(f"[check]\n{key} = {given}\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=rf"mine.toml: check.{key} is {given}; it should be a finite number"):
        read_config(path)


def test_tools_are_looked_for_beside_the_configuration_and_are_no_part_of_its_hash(tmp_path):
    (tmp_path / "studio").mkdir()
    path = tmp_path / "studio" / "mine.toml"
    path.write_text(f'[tools]\nfiles = ["bus1.tool.toml", "{tmp_path}/last.tool.toml"]\n', encoding="utf-8")
    config = read_config(path)
    assert config.tools.files == (str(tmp_path / "studio" / "bus1.tool.toml"), str(tmp_path / "last.tool.toml"))
    assert config_sha256(config) == config_sha256(read_config())


@pytest.mark.parametrize("given", ["7", "[7]", '"bus1.tool.toml"'])
def test_tools_that_are_no_list_of_names_are_refused(tmp_path, given):
    (line,) = problems(tmp_path, f"[tools]\nfiles = {given}\n")
    assert line.startswith("mine.toml: tools.files")
