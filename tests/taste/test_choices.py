"""The file of choices: what is written comes back, and what is wrong is told in one line with its place."""

import json
import multiprocessing
import threading
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autochain.audio.output_set import output_set
from autochain.errors import AutochainError, ChoicesError, RunningError
from autochain.search.costs import COST_NAMES
from autochain.sheet.model import CostFigures
from autochain.taste import BlindChoice, BlindCosts, BlindVersion, add_choice, choices, read_choices
from autochain.taste.choices import choices_text
from tests.hostile.documents import hostile_sheet
from tests.taste.blind import choice, version

ONE = choice(version("suggestion", crest_loss_db=0.5), version("limiter alone"), at_s=61.5)
_COST = st.floats(-200.0, 200.0, allow_nan=False)
_VERSION = st.builds(
    BlindVersion, name=st.text(min_size=1, max_size=40), costs=st.builds(BlindCosts, **dict.fromkeys(COST_NAMES, _COST))
)
_CHOICE = st.builds(
    BlindChoice,
    day=st.dates(),
    mix_sha256=st.text("0123456789abcdef", min_size=64, max_size=64),
    first=_VERSION,
    second=_VERSION,
    chosen=st.sampled_from(("first", "second")),
    at_s=st.none() | st.floats(0.0, 1e5),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(_CHOICE, max_size=4))
def test_what_is_written_comes_back(tmp_path_factory, kept):
    path = tmp_path_factory.mktemp("kept") / "choices.json"
    path.write_text(choices_text(kept), encoding="utf-8")
    assert read_choices(path).choices == tuple(kept)


def test_choices_are_added_one_after_the_other(tmp_path):
    path = tmp_path / "new" / "choices.json"
    other = choice(version("a"), version("b"), "second")
    add_choice(path, ONE)
    first = read_choices(path)
    add_choice(path, other)
    assert first.choices == (ONE,)
    assert read_choices(path).choices == (ONE, other)
    assert read_choices(path).sha256 != first.sha256
    assert [one.name for one in path.parent.iterdir()] == ["choices.json"]
    assert (other.taken.name, other.left.name) == ("b", "a")


def test_the_file_is_plain_and_has_a_choice_a_line(tmp_path):
    path = tmp_path / "choices.json"
    add_choice(path, ONE)
    add_choice(path, ONE)
    lines = path.read_text(encoding="utf-8").splitlines()
    assert len(lines) == 4
    kept = json.loads(path.read_bytes())["choices"][0]
    assert kept["day"] == date(2026, 11, 30).isoformat()
    assert set(kept["first"]["costs"]) == set(COST_NAMES)


def test_costs_are_taken_from_a_sheet_without_its_score():
    costs = CostFigures(**{**dict.fromkeys(COST_NAMES, 1.0), "score": 7.0})
    assert BlindVersion.of("kept", costs).costs.as_dict() == dict.fromkeys(COST_NAMES, 1.0)


def test_threads_do_not_lose_choices_of_each_other(tmp_path):
    path = tmp_path / "choices.json"
    writers = [threading.Thread(target=lambda: [add_choice(path, ONE) for _ in range(8)]) for _ in range(3)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert len(read_choices(path).choices) == 24


def test_processes_do_not_lose_choices_of_each_other(tmp_path):
    path = tmp_path / "choices.json"
    with multiprocessing.get_context("fork").Pool(3) as pool:
        pool.starmap(add_choice, [(path, ONE)] * 12, chunksize=1)
    assert len(read_choices(path).choices) == 12


def test_who_does_not_let_go_is_named(tmp_path, monkeypatch):
    monkeypatch.setattr(choices, "_WAIT_S", 0.05)
    path = tmp_path / "choices.json"
    with output_set(tmp_path, path.name), pytest.raises(RunningError, match="being written"):
        add_choice(path, ONE)
    assert not path.exists()
    add_choice(path, ONE)


def test_nothing_is_added_to_what_is_no_file_of_choices(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("buy strings", encoding="utf-8")
    with pytest.raises(ChoicesError, match="not JSON"):
        add_choice(path, ONE)
    assert path.read_text(encoding="utf-8") == "buy strings"
    assert [one.name for one in tmp_path.iterdir()] == ["notes.txt"]


def spoiled(path, *keys, value=None, gone=False):
    """Write a file of one choice of which one thing is otherwise."""
    values = json.loads(choices_text([ONE]))
    *way, last = keys
    inside = values
    for key in way:
        inside = inside[key]
    if gone:
        del inside[last]
    else:
        inside[last] = value
    path.write_text(json.dumps(values), encoding="utf-8")


_OF_ONE = ("choices", 0)


@pytest.mark.parametrize(
    ("keys", "value", "words"),
    [
        ((*_OF_ONE, "first", "costs", "score"), 1.0, "choices.1.first.costs.score is not known here"),
        ((*_OF_ONE, "first", "costs", "crest_loss_db"), "1", "choices.1.first.costs.crest_loss_db is '1'; it must be"),
        ((*_OF_ONE, "first", "costs", "crest_loss_db"), True, "costs.crest_loss_db is True; it must be a valid number"),
        ((*_OF_ONE, "first", "costs", "crest_loss_db"), 1e308, "is 1e+308; it must lie between -200 and 200"),
        ((*_OF_ONE, "first", "costs"), [], "choices.1.first.costs is []; it must be an object"),
        ((*_OF_ONE, "second", "name"), "", "choices.1.second.name is ''; it must have at least 1 character"),
        ((*_OF_ONE, "chosen"), "both", "choices.1.chosen is 'both'; it must be 'first' or 'second'"),
        ((*_OF_ONE, "day"), "yesterday", "choices.1.day is 'yesterday'; it must be a valid date"),
        ((*_OF_ONE, "mix_sha256"), "../etc", "choices.1.mix_sha256 is '../etc'; it must match"),
        ((*_OF_ONE, "at_s"), -1, "choices.1.at_s is -1; it must be greater than or equal to 0"),
        ((*_OF_ONE, "mood"), "good", "choices.1.mood is not known here. Take it out."),
        (("choices",), {}, "choices is {}; it must be a valid array"),
        (("format_version",), 2, "format_version is 2; 1 can be read"),
        (("format_version",), True, "format_version is True; 1 can be read"),
    ],
)
def test_what_is_wrong_is_told_with_its_place(tmp_path, keys, value, words):
    path = tmp_path / "choices.json"
    spoiled(path, *keys, value=value)
    with pytest.raises(ChoicesError) as caught:
        read_choices(path)
    assert caught.value.exit_code == 2
    assert "choices.json" in str(caught.value)
    assert words in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_what_is_missing_is_told(tmp_path):
    spoiled(tmp_path / "c.json", "choices", 0, "second", "costs", "onset_loss_db", gone=True)
    with pytest.raises(ChoicesError, match=r"choices\.1\.second\.costs\.onset_loss_db is missing"):
        read_choices(tmp_path / "c.json")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "cannot be read"),
        (b"", "not JSON"),
        (b"# choices", "not JSON"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"format_version": 1, "choices": [NaN]}', "NaN is no number"),
        (b'{"format_version": 1, "choices": [], "choices": []}', "there twice"),
        (b"[]", "no file of choices"),
        (b'{"format_version": 1}', "no file of choices"),
    ],
)
def test_a_file_that_has_no_choices_is_named(tmp_path, content, words):
    path = tmp_path / "other.json"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ChoicesError, match=words) as caught:
        read_choices(path)
    assert "other.json" in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_a_thousand_faults_are_not_a_thousand_lines(tmp_path):
    path = tmp_path / "choices.json"
    path.write_text(json.dumps({"format_version": 1, "choices": [5] * 1000}), encoding="utf-8")
    with pytest.raises(ChoicesError, match="980 more of the kind") as caught:
        read_choices(path)
    assert len(str(caught.value).splitlines()) == 21


@settings(max_examples=300, deadline=None)
@given(st.randoms(use_true_random=False))
def test_strange_files_are_read_or_refused_in_lines(tmp_path_factory, chance):
    path = tmp_path_factory.mktemp("strange") / "choices.json"
    path.write_bytes(hostile_sheet(json.loads(choices_text([ONE, ONE])), chance))
    said = "read"
    try:
        read_choices(path)
    except AutochainError as error:
        said = str(error)
    assert said
    assert all(len(line) <= 1000 for line in said.splitlines())
