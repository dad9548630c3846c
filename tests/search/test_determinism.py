"""One mix and one seed give one sheet: on any number of jobs, in any folder, in fresh and in warm processes."""

import json
import os
import re
from pathlib import Path

import pytest

from autochain.audio.files import read_mix
from autochain.config import read_config
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import MeasuredMix
from tests.fresh_process import holds_compiled_code, in_fresh_process


@pytest.fixture(scope="module")
def runs(cold_run, excerpts_mix, sensing_plan, tmp_path_factory):
    """One job with nothing compiled before, and two jobs with everything compiled."""
    cold, compiled = cold_run()
    assert holds_compiled_code(compiled)
    folder = tmp_path_factory.mktemp("runs")
    return cold, in_fresh_process(excerpts_mix, sensing_plan, folder / "another place", 2, compiled)


@pytest.mark.parametrize("end", ["sheet.html", "sheet.json", "sheet.md", "preview.wav"])
def test_jobs_folder_and_compilation_change_no_byte(runs, end):
    one, two = (folder / f"excerpts.{end}" for folder in runs)
    assert one.read_bytes() == two.read_bytes()


def test_only_the_first_run_compiles_and_leaves_nothing_to_the_search(runs):
    said = [(folder.parent / "said.txt").read_text(encoding="utf-8") for folder in runs]
    assert ["compiling, once after an installation" in text for text in said] == [True, False]


def test_this_process_gives_the_bytes_of_a_fresh_one(runs, command, excerpts_mix, sensing_plan, tmp_path):
    ran = command(
        "suggest", excerpts_mix, "--lufs", -9, "--config", sensing_plan, "--budget", 14, "-o", tmp_path, "--jobs", 2
    )
    assert ran.code == 0, ran.err
    assert (tmp_path / "excerpts.sheet.json").read_bytes() == (runs[0] / "excerpts.sheet.json").read_bytes()


def test_nothing_in_the_file_names_jobs_folder_or_time(runs):
    text = (runs[0] / "excerpts.sheet.json").read_text(encoding="utf-8")
    assert str(runs[0].parent) not in text
    assert f"{runs[0].parent.name}/" not in text
    assert os.sep not in json.dumps(json.loads(text)["provenance"])

    def keys(value):
        if isinstance(value, dict):
            for key, inner in value.items():
                yield key
                yield from keys(inner)
        elif isinstance(value, list):
            for inner in value:
                yield from keys(inner)

    names = set(keys(json.loads(text)))
    assert not {n for n in names if re.search(r"job|thread|path|folder|date|created|elapsed|host|user|cores", n)}
    assert not re.search(r"\b20\d\d-\d\d-\d\d|\d\d:\d\d:\d\d", text)
    assert str(Path.home()) not in text


class LastFirst(RunOptions):
    """Runs the trials of a batch in reverse; it hands them back in the order asked."""

    def in_parallel(self, calls):
        done = [call() for call in reversed(list(calls))]
        return done[::-1]


def trials_of(mix, plan, seed, run):
    search = {"budget": 14, "seed": seed, "sensitivity_trials": 0}  # those come behind the trials
    config = read_config(plan, {"target": {"lufs": -9.0}, "search": search})
    return MeasuredMix.of(SearchRequest(mix=mix, config=config), run).ready().reach(config.target).spent


@pytest.fixture(scope="module")
def one(excerpts_mix, sensing_plan):
    return trials_of(read_mix(excerpts_mix), sensing_plan, 1, RunOptions())


@pytest.mark.parametrize("run", [RunOptions(jobs=2), RunOptions(jobs=4), LastFirst()], ids=["2", "4", "last first"])
def test_trials_do_not_depend_on_jobs_or_on_who_finishes_first(one, excerpts_mix, sensing_plan, run):
    again = trials_of(read_mix(excerpts_mix), sensing_plan, 1, run)
    assert (one.done, one.best) == (again.done, again.best)


def test_another_seed_tries_other_points(one, excerpts_mix, sensing_plan):
    other = trials_of(read_mix(excerpts_mix), sensing_plan, 2, RunOptions(jobs=2))
    baselines = len(one.families)
    assert [t.coordinates for t in one.done[:baselines]] == [t.coordinates for t in other.done[:baselines]]
    # Past the baselines another seed draws other points; leaders judged anew, and a stage switched off one of
    # them, may be the same.
    known = {t.coordinates for t in one.done[:baselines]}
    mine, theirs = ({t.coordinates for t in trials.done[baselines:]} - known for trials in (one, other))
    assert len(mine & theirs) <= 1 < len(mine)
