import csv
import io
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from autochain.curve.picture import CostLine, cost_picture
from autochain.curve.point import Curve, Point
from autochain.curve.report import to_html
from autochain.curve.sheets import with_sheets
from autochain.curve.statement import statement
from autochain.earlier.read import read_sheet
from tests.curve.conftest import TARGETS, Traced


class Reader(HTMLParser):
    """Ids, addresses and tags of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.tags: set[str] = set()
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: Sequence[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.ids += [value for name, value in attrs if name == "id" and value]
        self.addresses += [value for name, value in attrs if name in ("href", "src") and value]


def like(point: Point, lufs: float, score: float, crest_db: float, *, met: bool = True) -> Point:
    costs = replace(point.chosen.costs, crest_loss_db=crest_db)
    chosen = replace(point.chosen, score=score, costs=costs, met=met)
    return replace(point, target_lufs=lufs, found=replace(point.found, chosen=chosen))


def bent(point: Point) -> Curve:
    """Crest 0.4 dB per LU up to -9.1 LUFS, 1.3 beyond; the score goes with it."""
    points = []
    for lufs in range(-14, -5):
        crest = 0.4 * (lufs + 14.0) + 0.9 * max(0.0, lufs + 9.1)
        points.append(like(point, float(lufs), 2.0 * crest, crest))
    return Curve(points=tuple(points), not_tried_lufs=(), not_monotone_found=0)


def test_the_first_sentence_says_where_loudness_begins_to_cost_more(traced: Traced) -> None:
    # Closed form, see `bent`.
    first, *_ = statement(bent(traced.curve.points[1]))
    assert first.startswith("Up to about -9.1 LUFS each LU costs 0.4 dB of crest")
    assert "above it 1.3 dB of crest" in first


def test_the_loudest_reached_is_told_where_some_are_not(traced: Traced) -> None:
    whole = bent(traced.curve.points[1])
    points = (*whole.points[:-1], like(whole.points[-1], -6.0, 20.0, 9.0, met=False))
    said = " ".join(statement(replace(whole, points=points, not_tried_lufs=(-5.0,))))
    assert "The loudest reached within the configured ranges is -7.0 LUFS" in said
    assert "Not reached: -6.0 LUFS, -5.0 LUFS." in said


def test_the_page_needs_nothing_from_elsewhere_and_every_dot_leads_to_its_sheet(traced: Traced) -> None:
    page = to_html(with_sheets(traced.curve, "song"))
    read = Reader(page)
    assert not read.tags & {"script", "img", "link", "iframe"}
    assert "url(" not in page
    assert "@import" not in page
    assert len(read.ids) == len(set(read.ids))
    dots = re.findall(r'<a href="([^"]*)" id="dat', page)
    assert dots == [f"./song.at{target:.1f}.sheet.html" for target in TARGETS]
    assert all(address.startswith("./") and ":" not in address for address in read.addresses)


def test_names_of_files_are_text_and_no_markup(traced: Traced) -> None:
    mix = replace(traced.mix, file="<b>&.wav")
    points = tuple(replace(p, found=replace(p.found, mix=mix)) for p in traced.curve.points)
    page = to_html(with_sheets(replace(traced.curve, points=points), "<b>&"))
    assert "<b>" not in page


def test_a_gap_parts_a_line_in_two() -> None:
    line = CostLine(kind="line", values=[1.0, 2.0, None, 3.0, 4.0])
    drawn = cost_picture("x", "dB", [-9.0, -8.0, -7.0, -6.0, -5.0], [line])
    assert drawn.count("<polyline") == 2
    assert drawn.count('<circle class="dot"') == 4


@pytest.fixture
def written(
    traced: Traced, tmp_path: Path, command: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> tuple[Path, Callable[..., Any]]:
    """The command with its search replaced by the traced curve."""
    monkeypatch.setattr("autochain.tasks.curve.trace", lambda *_, **__: traced.curve)
    run = ("curve", traced.path, "--from", -16, "--to", -8, "--step", 4)
    return tmp_path / "out", lambda *more: command(*run, *more)


def test_the_command_writes_the_curve_and_every_sheet(written: tuple[Path, Callable[..., Any]]) -> None:
    out, run = written
    ran = run("-o", out)
    assert ran.code == 0, ran.err
    assert ran.out == (out / "song.curve.md").read_text(encoding="utf-8")
    told = json.loads((out / "song.curve.json").read_text(encoding="utf-8"))
    assert [p["target_lufs"] for p in told["points"]] == list(TARGETS)
    for point in told["points"]:
        assert read_sheet(out / point["sheet"]).target.lufs == point["target_lufs"]
        assert (out / point["sheet"]).with_suffix(".md").exists()
    rows = list(csv.DictReader(io.StringIO((out / "song.curve.csv").read_text(encoding="utf-8"))))
    assert [float(r["target_lufs"]) for r in rows if r["chain"] == "suggestion"] == list(TARGETS)
    links = Reader((out / "song.curve.html").read_text(encoding="utf-8")).addresses
    assert all((out / link).exists() for link in links)
    again = run("-o", out)
    assert again.code == 2
    assert "exists already; use --force" in again.err
    assert run("-o", out, "--force").code == 0


def test_without_a_folder_the_command_prints_and_writes_nothing(
    written: tuple[Path, Callable[..., Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    out, run = written
    monkeypatch.chdir(out.parent)
    assert json.loads(run("--json").out)["format_version"] == 1
    assert list(out.parent.iterdir()) == []


def test_the_exit_code_is_3_only_where_no_loudness_is_reached(
    traced: Traced, written: tuple[Path, Callable[..., Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, run = written
    points = traced.curve.points
    missed = tuple(like(p, p.target_lufs, p.chosen.score, 0.0, met=False) for p in points)
    for kept, code in ((points[:1] + missed[1:], 0), (missed, 3)):
        found = replace(traced.curve, points=kept)
        monkeypatch.setattr("autochain.tasks.curve.trace", lambda *_, found=found, **__: found)
        assert run().code == code
    assert "None of these loudnesses is reached" in run().out


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--from", -6, "--to", -14), "--from -6 is louder than --to -14"),
        (("--step", 0), "--step 0 is not possible"),
        (("--from", -40, "--to", 0), "makes 41 points; 30 is the most"),
        (("--lock", "drive.gain_db=3"), "--lock drive.gain_db=3 fixes the loudness"),
    ],
)
def test_wrong_usage_is_one_line_and_exit_code_2(
    curve_mix: Path, command: Callable[..., Any], more: tuple[object, ...], says: str
) -> None:
    ran = command("curve", curve_mix, *more)
    assert ran.code == 2
    assert ran.out == ""
    assert re.fullmatch(rf"autochain: .*{re.escape(says)}.*\n", ran.err)
