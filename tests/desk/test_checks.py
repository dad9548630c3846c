"""Verdicts that are kept are the ones that a check would give again."""

import json
import os
from pathlib import Path

import pytest

from autochain.config import read_config
from autochain.desk import checks
from autochain.desk.checks import KEPT_IN, KeptChecks
from autochain.desk.folder import SongFiles
from autochain.tasks.check import check_mix
from tests.desk.asking import write_mix


class Counted:
    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.made = 0
        monkeypatch.setattr(checks, "check_mix", self)

    def __call__(self, *given: object) -> object:
        self.made += 1
        return check_mix(*given)  # type: ignore[arg-type]


def test_a_mix_is_checked_once_and_again_when_it_or_the_limits_are_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    counted = Counted(monkeypatch)
    song = SongFiles(write_mix(tmp_path / "one.wav"), tmp_path / "out")
    config = read_config()
    first = KeptChecks(song.out, config).of(song)
    assert KeptChecks(song.out, config).of(song) == first
    assert counted.made == 1
    # Another mix of the same length and time is another mix.
    before = song.path.stat()
    write_mix(song.path, seed=2)
    os.utime(song.path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert song.path.stat().st_size == before.st_size
    assert KeptChecks(song.out, config).of(song).measurement != first.measurement
    assert counted.made == 2
    KeptChecks(song.out, config.model_copy(update={"search": config.search.model_copy(update={"seed": 7})})).of(song)
    assert counted.made == 3


@pytest.mark.parametrize(
    "kept", [b"", b"{", b"null", b"[]" * 1000, b"\xff", b'{"sha256": "", "made_by": "", "checked": {}}']
)
def test_what_cannot_be_read_is_checked_again(kept: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    counted = Counted(monkeypatch)
    song = SongFiles(write_mix(tmp_path / "one.wav"), tmp_path / "out")
    path = song.out / KEPT_IN / f"{song.id}.json"
    path.parent.mkdir(parents=True)
    path.write_bytes(kept)
    first = KeptChecks(song.out, read_config()).of(song)
    assert json.loads(path.read_bytes())["checked"]["file"] == "one.wav"
    assert KeptChecks(song.out, read_config()).of(song) == first
    assert counted.made == 1


def test_a_folder_that_takes_nothing_stops_no_check(tmp_path: Path) -> None:
    song = SongFiles(write_mix(tmp_path / "one.wav"), tmp_path / "out")
    song.out.write_text("a file")
    assert KeptChecks(song.out, read_config()).of(song).file == "one.wav"


def test_verdicts_on_mixes_that_are_gone_go(tmp_path: Path) -> None:
    song = SongFiles(write_mix(tmp_path / "one.wav"), tmp_path / "out")
    kept = KeptChecks(song.out, read_config())
    kept.of(song)
    (song.out / KEPT_IN / "000000000000.json").touch()
    kept.forget_others([song])
    assert [path.name for path in (song.out / KEPT_IN).iterdir()] == [f"{song.id}.json"]
