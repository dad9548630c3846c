"""The log: whole lines, left-out lines, and what a history makes of them."""

import json
from concurrent.futures import ThreadPoolExecutor

import pytest

from autochain.errors import AutochainError
from autochain.log.entry import KEPT, entry_of
from autochain.log.file import append, log_path, read
from autochain.log.history import history_of
from autochain.log.report import history_to_html, history_to_json, history_to_markdown


def entry(number, top_db=1.0, command="compare", lufs=-9.0, file=None, width_db=None, **ended):
    made = entry_of(
        command,
        (file or f"mix{number}.wav", f"{number:064d}"),
        (file or f"master{number}.wav", f"{number + 500:064d}") if command == "compare" else None,
        dict.fromkeys(KEPT, -15.0),
        {**dict.fromkeys(KEPT, 8.0), "integrated_lufs": lufs},
        width_db=width_db,
        **ended,
    )
    return {**made, "thirds_db": {"1000": 0.0, "8000": top_db, "10000": top_db}}


def test_entries_come_back_as_they_were_written(tmp_path):
    path = tmp_path / "new" / "log.jsonl"
    written = [entry(1), entry(2, file="<b>\n\u202e.wav")]
    for one in written:
        append(path, one)
    assert read(path) == (written, 0)
    assert path.read_text(encoding="ascii").count("\n") == 2


def test_writers_at_once_do_not_mix_their_lines(tmp_path):
    path = tmp_path / "log.jsonl"
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda k: append(path, entry(k)), range(80)))
    entries, broken = read(path)
    assert broken == 0
    assert sorted(one["mix"]["file"] for one in entries) == sorted(f"mix{k}.wav" for k in range(80))


def test_lines_that_cannot_be_read_are_counted_and_left_out(tmp_path):
    path = tmp_path / "log.jsonl"
    append(path, entry(1))
    with path.open("ab") as file:
        file.write(b'\xff\xfe not text\n{"format_version":1}\n[1]\n' + b"[" * 100_000 + b"\n")
        file.write(json.dumps({**entry(3), "after": {"integrated_lufs": "loud"}}).encode() + b"\n")
        file.write(json.dumps({**entry(4), "thirds_db": {"high": 1.0}}).encode() + b"\n")
        file.write(b'{"format_version":1,"time":"2026-')  # broken off
    append(path, entry(2))
    entries, broken = read(path)
    assert [one["mix"]["file"] for one in entries] == ["mix1.wav", "mix2.wav"]
    assert broken == 7
    history_to_html(history_of(entries))


def test_a_file_that_is_no_log_is_left_as_it_is(tmp_path):
    path = tmp_path / "song.wav"
    path.write_bytes(b"RIFF and so on")
    with pytest.raises(AutochainError, match="is no log of this program and is left as it is"):
        append(path, entry(1))
    assert path.read_bytes() == b"RIFF and so on"
    with pytest.raises(AutochainError, match="cannot be written"):
        append(tmp_path, entry(1))


def test_the_log_lies_in_the_data_folder_and_not_in_the_home_of_who_tests(tmp_path, monkeypatch):
    # XDG Base Directory Specification 0.8: XDG_DATA_HOME, or ~/.local/share where it is unset or relative
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert log_path() == tmp_path / "autochain" / "log.jsonl"
    monkeypatch.setenv("XDG_DATA_HOME", "relative")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setattr("sys.platform", "linux")
    assert log_path() == tmp_path / "home" / ".local" / "share" / "autochain" / "log.jsonl"
    monkeypatch.setattr("sys.platform", "darwin")
    assert log_path() == tmp_path / "home" / "Library" / "Application Support" / "autochain" / "log.jsonl"


def test_a_habit_needs_five_masters_four_of_five_alike_and_half_a_decibel():
    def habits(values):
        return [habit.name for habit in history_of([entry(k, db) for k, db in enumerate(values)]).habits]

    assert habits([1.0, 1.2, 0.8, 1.1, 0.9]) == ["top"]
    assert habits([1.0, 1.2, 0.8, 1.1, -0.9]) == ["top"]
    assert habits([1.0, 1.2, 0.8, 1.1]) == []
    assert habits([1.0, 1.2, 0.8, -1.1, -0.9]) == []
    assert habits([0.4, 0.4, 0.4, 0.4, 0.4]) == []


def test_a_habit_is_told_by_its_median():
    history = history_of([entry(k, db, width_db=-0.8) for k, db in enumerate([1.0, 1.4, 0.8, 1.1, 0.9])])
    text = history_to_markdown(history)
    assert "- In 5 of 5 masters the top (6.3 kHz to 16 kHz) is brighter than in the mix, by 1.0 dB (median)." in text
    assert "- In 5 of 5 masters the sides are quieter against the mid than in the mix, by 0.8 dB (median)." in text


def test_one_mix_counts_once_and_a_comparison_before_a_plan():
    entries = [
        entry(1, command="suggest"), entry(1, lufs=-8.0), entry(1, lufs=-8.5), entry(1, command="suggest"),
        entry(2, command="suggest"), entry(2, command="render", lufs=-10.0),
    ]  # fmt: skip
    history = history_of(entries)
    shown = [(one.command, one.file, one.after["integrated_lufs"]) for one in history.masters]
    assert shown == [("compare", "master1.wav", -8.5), ("render", "mix2.wav", -10.0)]
    assert history.compared == 1


def test_stopped_and_missed_attempts_are_no_masters_and_are_counted():
    entries = [
        entry(1, command="suggest", lufs=-10.0, complete=True, met=True),
        entry(1, command="suggest", lufs=-6.0, complete=True, met=False),  # tried louder, in vain
        entry(2, command="suggest", complete=False, met=True),
        entry(3, command="render", met=False),
        entry(4, command="render"),  # the sheet as it stands: nothing was aimed at
    ]
    history = history_of(entries)
    shown = [(one.file, one.after["integrated_lufs"]) for one in history.masters]
    assert shown == [("mix1.wav", -10.0), ("mix4.wav", -9.0)]
    assert history.left_out == 3
    assert "Left out: 3 attempts that were stopped or missed their target." in history_to_markdown(history)
    assert "Left out: 1 attempt that was stopped or missed its target." in history_to_html(history_of(entries[1:2]))
    assert json.loads(history_to_json(history))["left_out"] == 3


def test_lines_that_do_not_say_how_they_ended_are_read_and_count(tmp_path):
    path = tmp_path / "log.jsonl"
    old = entry(1, command="suggest")
    del old["complete"], old["met"]
    append(path, old)
    append(path, {**entry(2, command="suggest"), "met": "perhaps"})
    entries, broken = read(path)
    assert (entries, broken) == ([old], 1)
    history = history_of(entries)
    assert (len(history.masters), history.left_out) == (1, 0)
    assert "Left out" not in history_to_markdown(history)


def test_the_last_masters_are_shown_and_no_more():
    history = history_of([entry(k) for k in range(30)], last=20)
    assert [one.file for one in history.masters] == [f"master{k}.wav" for k in range(10, 30)]
    assert history_to_html(history).count('class="dot"') == 40  # two pictures
    assert len(json.loads(history_to_json(history))["masters"]) == 20


def test_hostile_names_stay_text_in_a_history():
    history = history_of([entry(1, file="<script>x</script>|*a*\n\u202e.wav")])
    html = history_to_html(history)
    assert "<script" not in html
    assert "\u202e" not in html
    row = history_to_markdown(history).splitlines()[-3]
    assert "\\<script>x\\</script>\\|\\*a\\*\\n" in row


def test_an_empty_log_says_so(tmp_path):
    assert read(tmp_path / "none.jsonl") == ([], 0)
    assert "holds no master yet" in history_to_markdown(history_of([]))
    assert "holds no master yet" in history_to_html(history_of([]))
