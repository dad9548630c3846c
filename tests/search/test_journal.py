"""A run that was stopped goes on to the result of one that was not."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from autochain.audio.files import read_mix
from autochain.chain.settings import ChainSettings
from autochain.config import read_config
from autochain.errors import JournalError
from autochain.search.evaluator import Evaluator
from autochain.search.journal import Journal
from autochain.search.request import RunOptions, SearchRequest, request_of
from autochain.search.run import MeasuredMix
from autochain.solve.decisions import Decisions

BUDGET = 18


@pytest.fixture(scope="module")
def plan(sensing_plan):
    return read_config(sensing_plan, {"target": {"lufs": -9.0}, "search": {"budget": BUDGET}})


@pytest.fixture(scope="module")
def mix(excerpts_mix):
    return read_mix(excerpts_mix)


def reach(mix, plan, run):
    return MeasuredMix.of(SearchRequest(mix=mix, config=plan), run).ready().reach(plan.target)


@pytest.fixture(scope="module")
def whole(mix, plan, tmp_path_factory):
    """An uninterrupted search with its journal."""
    path = tmp_path_factory.mktemp("whole") / "journal.jsonl"
    with Journal(path, request_of(mix.sha256, plan, Decisions()), resume=False) as journal:
        reached = reach(mix, plan, RunOptions(jobs=2, journal=journal))
    return reached.spent, reached.suggestion, path


def gone_on(mix, plan, path, monkeypatch):
    """Go on from a journal; the trials, the result, and how many trials were evaluated anew."""
    asked, trial = [], Evaluator.trial

    def counting(self, point, *more):
        asked.append(point)
        return trial(self, point, *more)

    monkeypatch.setattr(Evaluator, "trial", counting)
    with Journal(path, request_of(mix.sha256, plan, Decisions()), resume=True) as journal:
        reached = reach(mix, plan, RunOptions(journal=journal))
    return reached.spent, reached.suggestion, len(asked)


def test_a_killed_search_goes_on_to_the_same_result(whole, mix, plan, tmp_path, monkeypatch):
    # In the middle of a batch of four, past the baselines; with the last line cut off, out of order.
    lines, cut = 14, 40
    before, found, path = whole
    kept = path.read_bytes().splitlines(keepends=True)
    left = b"".join([kept[0], *reversed(kept[1:lines])])
    copy = tmp_path / "journal.jsonl"
    copy.write_bytes(left[: len(left) - cut])
    after, again, asked = gone_on(mix, plan, copy, monkeypatch)
    assert after.done == before.done
    assert again.chosen.settings == found.chosen.settings
    assert again.chosen.costs == found.chosen.costs
    assert (again.samples == found.samples).all()
    # Only what was missing was rendered.
    assert asked == len(kept) - 1 - (lines - 2)
    assert sorted(copy.read_bytes().splitlines()) == sorted(path.read_bytes().splitlines())


def test_a_complete_journal_leaves_nothing_to_evaluate(whole, mix, plan, tmp_path, monkeypatch):
    before, _, path = whole
    copy = tmp_path / "journal.jsonl"
    shutil.copy(path, copy)
    after, _, asked = gone_on(mix, plan, copy, monkeypatch)
    assert (asked, after.done) == (0, before.done)


def test_every_float_comes_back_to_the_last_bit(whole, mix, plan):
    spent, _, path = whole
    with Journal(path, request_of(mix.sha256, plan, Decisions()), resume=True) as journal:
        # Leaving stages out is asked for behind the trials of the budget.
        assert tuple(journal.find(number) for number in range(len(spent.done))) == spent.done


def test_a_journal_of_another_request_is_refused_by_what_differs(whole, mix, sensing_plan):
    path = whole[2]
    other = read_config(sensing_plan, {"target": {"lufs": -9.0}, "search": {"budget": BUDGET + 1}})
    with pytest.raises(JournalError, match="budget was 18, is now 19"):
        Journal(path, request_of(mix.sha256, other, Decisions()), resume=True)
    locked = Decisions(locks=ChainSettings({"limiter": {"release_ms": 60.0}}))
    same = read_config(sensing_plan, {"target": {"lufs": -9.0}, "search": {"budget": BUDGET}})
    with pytest.raises(JournalError, match=r"locks was \{\}, is now"):
        Journal(path, request_of(mix.sha256, same, locked), resume=True)


@pytest.mark.parametrize(
    "content", [b"not a journal\n", b'{"a": 1}\n', b"[1]\n", b'{"journal": 1, "request": {}}\n{}\n']
)
def test_what_is_no_journal_is_refused_and_kept(tmp_path, content):
    path = tmp_path / "journal.jsonl"
    path.write_bytes(content)
    with pytest.raises(JournalError, match="not a journal that can be gone on with"):
        Journal(path, {}, resume=True)
    assert path.read_bytes() == content


@pytest.mark.parametrize("content", [b"", b'{"journal": 1, "requ'])
def test_a_journal_killed_in_its_first_line_starts_anew(tmp_path, content):
    path = tmp_path / "journal.jsonl"
    path.write_bytes(content)
    with Journal(path, {"mix": "a"}, resume=True) as journal:
        assert journal.resumed == 0
    assert json.loads(path.read_text()) == {"journal": 1, "request": {"mix": "a"}}


def test_a_full_disk_is_told_and_what_was_written_stays(whole, tmp_path, monkeypatch):
    trial = whole[0].done[0]
    path = tmp_path / "journal.jsonl"
    with Journal(path, {"mix": "a"}, resume=False) as journal:
        journal.add(0, trial)
        journal._file.close()
        with Path("/dev/full").open("w", encoding="utf-8") as full:
            monkeypatch.setattr(journal, "_file", full)
            with pytest.raises(JournalError, match="No space left on device"):
                journal.add(1, trial)
    with Journal(path, {"mix": "a"}, resume=True) as journal:
        assert (journal.find(0), journal.find(1)) == (trial, None)


def started(mix, plan, folder, *more):
    options = ["--lufs", "-9", "--config", plan, "--budget", str(BUDGET), "--jobs", "2", "-o", folder]
    return subprocess.Popen(
        [sys.executable, "-m", "autochain", "suggest", mix, *options, *more],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=dict(os.environ),
    )  # fmt: skip


def wait_for_trials(journal, count, process):
    """Wait until a journal holds so many trials."""
    for _ in range(6000):
        if journal.exists() and len(journal.read_bytes().splitlines()) > count:
            return
        assert process.poll() is None, process.stderr.read()
        time.sleep(0.005)
    raise AssertionError("no trials came")


ASKED = ("--lufs", -9, "--budget", BUDGET)


@pytest.fixture(scope="module")
def straight(excerpts_mix, sensing_plan, command, tmp_path_factory):
    """What the command writes when nobody stops it."""
    out = tmp_path_factory.mktemp("straight")
    assert command("suggest", excerpts_mix, *ASKED, "--config", sensing_plan, "-o", out).code == 0
    assert not list(out.glob("*.jsonl"))  # the search came to its end
    return out


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_killed_and_resumed_by_command_gives_the_same_bytes(
    excerpts_mix, sensing_plan, straight, tmp_path, command, how
):
    asked = (*ASKED, "--config", sensing_plan)
    out = tmp_path / "out"
    process = started(excerpts_mix, sensing_plan, out)
    kept = out / "excerpts.journal.jsonl"
    wait_for_trials(kept, 6, process)  # past the baselines, inside a batch of four or not: either must do
    process.send_signal(how)
    _, said = process.communicate(timeout=120)
    assert kept.exists()
    if how != signal.SIGINT:
        assert process.returncode == (-signal.SIGKILL if how == signal.SIGKILL else 128 + signal.SIGTERM), said
        assert "Traceback" not in said
        if how == signal.SIGTERM:
            assert [path.name for path in out.iterdir()] == [kept.name]  # in order: neither lock nor part
        assert not list(out.glob("*.sheet.*"))
        refused = command("suggest", excerpts_mix, *asked, "-o", out)
        assert refused.code == 2
        assert "--resume" in refused.err
    else:
        assert process.returncode == 0, said
        assert "best so far" in said
        partial = json.loads((out / "excerpts.sheet.json").read_text(encoding="utf-8"))
        assert partial["search"]["complete"] is False
        assert partial["met"] is True
        assert partial["search"]["trials"] < BUDGET
        assert "stopped_early" in [note["code"] for note in partial["notes"]]
    ran = command("suggest", excerpts_mix, *asked, "-o", out, "--resume")
    assert ran.code == 0, ran.err
    for name in ("excerpts.sheet.json", "excerpts.sheet.md"):
        assert (out / name).read_bytes() == (straight / name).read_bytes()
    assert not kept.exists()


def test_ctrl_c_twice_leaves_at_once_and_keeps_the_journal(excerpts_mix, sensing_plan, tmp_path):
    out = tmp_path / "out"
    process = started(excerpts_mix, sensing_plan, out)
    kept = out / "excerpts.journal.jsonl"
    wait_for_trials(kept, 2, process)
    process.send_signal(signal.SIGINT)
    time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130, said
    assert "Traceback" not in said
    assert "--resume" in said
    assert kept.exists()
    assert not list(out.glob("*.sheet.*"))
