"""Examples in the README and the pages: where they stand, how they are made, and what counts as the same.

An example is a quoted or fenced block behind a comment that names its command and, after a bar, what is shown of it:

    <!-- made by: autochain check mixes | top; Notes, 4 lines -->

`top` is what comes before the first `## ` heading, without the title; a heading's words are its section; `, 4 lines`
takes the first four lines that hold something, and `, without Name` drops a column of the tables. Without a bar the
whole output is shown. `<!-- first: COMMAND -->` runs a command that an example needs and shows nothing; the command
`python` is the Python block that stands last before the comment. The commands of one run share a folder (`Workbench`)
and are run once each, in the order of `PAGES`.
"""

import io
import os
import re
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

TOP = Path(__file__).parents[2]
# In the order of reading: what a later page uses, an earlier one has made.
PAGES = (
    TOP / "README.md",
    *(
        TOP / "docs" / f"{name}.md"
        for name in (
            "README", "desk", "one_mix", "sheet", "check", "page_and_listening", "delivery", "compare", "log", "tools",
            "chain", "tone",
            "around", "taste", "curve", "album", "several_machines", "configuration", "python",
        )
    ),
)  # fmt: skip

_RATE_HZ = 44100
# Few trials on short excerpts, for examples that need not be good.
_FEW = """[search]
batch = 4
startup = 3
sensitivity_trials = 9
[search.baselines]
release_ms = [5.0, 60.0]
lookahead_ms = [3.0]
[search.excerpts]
count = 2
length_s = 3.2
preroll_s = 1.2
"""
# As docs/configuration.md prints it.
_WRONG = """[search]
buget = 300

[chain.limiter]
release_ms = { low = 0.5, high = 80.0 }
"""
_MARK = re.compile(r"^<!-- made by: (?P<command>.*?)(?: \| (?P<shown>.*?))? -->$")
_FIRST = re.compile(r"^<!-- first: (.*) -->$", re.M)
_NUMBER = re.compile(r"\d+(?:\.\d+)?")
_DAY = re.compile(r"\b20\d\d-\d\d-\d\d\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """One block of a page, as it stands there."""

    page: Path
    line: int  # of the comment, from 1
    command: str
    shown: str
    prefix: str  # of each line: "> " when quoted, "" when fenced
    first: int  # index of the block's first line of output
    last: int  # one behind its last
    text: str


def examples_of(page: Path) -> list[Example]:
    """Give the examples of a page in their order.

    Raises
    ------
    ValueError
        Where a comment is not followed by a quoted or fenced block.
    """
    lines, found = page.read_text(encoding="utf-8").splitlines(), []
    for index, line in enumerate(lines):
        mark = _MARK.match(line)
        if mark is None:
            continue
        start = next((k for k in range(index + 1, len(lines)) if lines[k].strip()), len(lines) - 1)
        if lines[start].startswith(">"):
            first = start
            last = next((k for k in range(first, len(lines)) if not lines[k].startswith(">")), len(lines))
            prefix, body = "> ", [one[2:] for one in lines[first:last]]
        elif lines[start].startswith("```"):
            first = start + 1
            last = next((k for k in range(first, len(lines)) if lines[k] == "```"), len(lines))
            prefix, body = "", lines[first:last]
        else:
            raise ValueError(f"{page.name}, line {index + 1}: no quoted or fenced block follows the comment")
        command = mark["command"]
        if command == "python":
            command += "\n" + python_blocks("\n".join(lines[:index]))[-1]
        found.append(
            Example(
                page=page,
                line=index + 1,
                command=command,
                shown=mark["shown"] or "",
                prefix=prefix,
                first=first,
                last=last,
                text="\n".join(body),
            )
        )
    return found


def python_blocks(text: str) -> list[str]:
    """Fenced blocks of Python in a text."""
    return re.findall(r"^```python\n(.*?)^```", text, flags=re.M | re.S)


def needed_by(page: Path) -> list[str]:
    """Commands that have to run before the examples of a page."""
    return _FIRST.findall(page.read_text(encoding="utf-8"))


def shown_of(output: str, shown: str) -> str:
    """Cut from an output what a comment asks for.

    Raises
    ------
    ValueError
        Where the output has no section of a name, or no column.
    """
    if not shown:
        return output.strip("\n")
    heads = ["top", *re.findall(r"^## (.*)$", output, flags=re.M)]
    bodies = re.split(r"^## .*$", output, flags=re.M)
    bodies[0] = re.sub(r"\A\s*# .*\n", "", bodies[0])
    sections = dict(zip(heads, bodies, strict=True))
    parts = []
    for asked in shown.split("; "):
        words = re.fullmatch(r"(?P<name>.*?)(?:, (?P<count>\d+) lines)?(?:, without (?P<column>.*))?", asked)
        assert words is not None
        if words["name"] not in sections:
            raise ValueError(f"the output has no section {words['name']!r}; it has {', '.join(sections)}")
        body = sections[words["name"]].strip("\n").splitlines()
        if words["count"]:
            body = _first(body, int(words["count"]))
        if words["column"]:
            body = _without(body, words["column"])
        parts.append("\n".join(body))
    return "\n\n".join(parts)


def _first(lines: list[str], count: int) -> list[str]:
    """Leading lines of which `count` hold something."""
    kept: list[str] = []
    for line in lines:
        if count == 0:
            break
        kept.append(line)
        count -= bool(line.strip())
    return kept


def _without(lines: list[str], column: str) -> list[str]:
    """Rows of a table without one of its columns."""
    rows = [line.strip("|").split("|") for line in lines if line.startswith("|")]
    at = [cell.strip() for cell in rows[0]].index(column)
    return [
        "|" + "|".join(cell for k, cell in enumerate(line.strip("|").split("|")) if k != at) + "|"
        if line.startswith("|")
        else line
        for line in lines
    ]


def difference(printed: str, made: str) -> str | None:
    """Say where a block and what its command prints today part, or nothing.

    A number with decimals may differ by one in its last digit: another processor or library may round the last bit of
    a sum the other way, and a reading that lies on the edge between two printed digits then falls to the other side.
    Whole numbers (settings, counts, names) and words have to be the same. On one machine with the oldest and the newest
    instructions of its processor, and another matrix library's kernels, the demo's sheet was the same in every digit.
    """
    old, new = printed.splitlines(), made.splitlines()
    for number, (one, other) in enumerate(zip(old, new, strict=False), 1):
        if _NUMBER.sub("#", one) != _NUMBER.sub("#", other):
            return f"line {number} of the block reads\n  {one}\nand the command prints\n  {other}"
        for a, b in zip(_NUMBER.findall(one), _NUMBER.findall(other), strict=True):
            digits = len(a.partition(".")[2])
            if a != b and (digits != len(b.partition(".")[2]) or abs(float(a) - float(b)) > 1.01 * 10.0**-digits):
                return f"line {number} of the block has {a} where the command prints {b}:\n  {other}"
            if a != b and digits == 0:
                return f"line {number} of the block has {a} where the command prints {b}:\n  {other}"
    if len(old) != len(new):
        return f"the block has {len(old)} lines, the command prints {len(new)}"
    return None


def make_sound(folder: Path) -> None:
    """Write the invented mixes and the configurations that the pages' commands name."""
    from autochain.audio.files import write_wav
    from autochain.demo import make_demo
    from autochain.taste.choices import choices_text
    from tests.taste.blind import choices_of

    def write(name: str, samples: npt.NDArray[np.floating]) -> None:
        (folder / name).parent.mkdir(exist_ok=True)
        write_wav(folder / name, samples, _RATE_HZ, 1)

    def brighter(samples: npt.NDArray[np.floating], by: float) -> npt.NDArray[np.floating]:
        return samples + by * np.diff(samples, axis=0, prepend=0.0)

    # What `check` is shown: one mix as it is; one with a click, an edit 6 dB down, and mains hum.
    write("mixes/first.wav", make_demo("vocal_with_piano", _RATE_HZ, 14.0, 2))
    hurt = make_demo("sparse_acoustic", _RATE_HZ, 14.0, 2)
    hurt[round(6.0 * _RATE_HZ)] += 0.4
    hurt[round(9.3 * _RATE_HZ) :] *= 0.5
    time_s = np.arange(len(hurt))[:, None] / _RATE_HZ
    write("mixes/second.wav", hurt + sum(0.01 / k * np.sin(2.0 * np.pi * 50.0 * k * time_s) for k in (1, 2, 3)))
    song = make_demo("dense_rock", _RATE_HZ, 12.0, 1)
    write("song.wav", song)
    write("song-2.wav", 0.9 * song)
    write("brighter.wav", brighter(song, 0.25))
    characters = {"one": "dense_rock", "two": "vocal_with_piano", "three": "sparse_acoustic"}
    tracks = {name: make_demo(character, _RATE_HZ, 10.0, 3) for name, character in characters.items()}
    for (name, samples), gain in zip(tracks.items(), (1.0, 0.7, 0.8), strict=True):
        write(f"album/{name}.wav", gain * samples)
    for number, samples in enumerate([*tracks.values(), song, 0.8 * song], 1):
        write(f"old/mix-{number}.wav", samples)
        write(f"old/master-{number}.wav", np.clip(2.0 * brighter(samples, 0.1 + 0.02 * number), -0.85, 0.85))
    heard = choices_of({"added_distortion_nmr_db": 3.0, "contrast_loss_lu": 0.5}, 60, seed=2)
    (folder / "choices.json").write_text(choices_text(heard), encoding="utf-8")
    (folder / "few.toml").write_text(_FEW, encoding="utf-8")
    (folder / "wrong.toml").write_text(_WRONG, encoding="utf-8")


class Workbench:
    """A folder in which the commands of the pages run, with the sound that they name."""

    def __init__(self, folder: Path, outputs: Mapping[str, str]) -> None:
        """`folder` is there, with what the commands of `outputs` wrote, which were run elsewhere."""
        self.folder = folder
        self._outputs = dict(outputs)
        make_sound(folder)

    def output_of(self, command: str) -> str:
        """Run a command once and give what it printed: the result, or the error where it could not run."""
        if command not in self._outputs:
            with _inside(self.folder):
                self._outputs[command] = _DAY.sub("2026-11-30", _run(command))
        return self._outputs[command]


def _run(command: str) -> str:
    if command.startswith("ls "):
        return "".join(f"{one.name}\n" for one in sorted(Path(command[3:]).iterdir()) if not one.name.startswith("."))
    out, err, code = io.StringIO(), io.StringIO(), 0
    if command.startswith("python\n"):
        with redirect_stdout(out):
            exec(command.partition("\n")[2], {})
        return out.getvalue()
    from autochain.cli.main import main

    name, *arguments = command.split()
    assert name == "autochain", command
    argv, sys.argv = sys.argv, ["autochain", *arguments]
    try:
        with redirect_stdout(out), redirect_stderr(err):
            main()
    except SystemExit as leaving:
        code = int(leaving.code or 0)
    finally:
        sys.argv = argv
    return err.getvalue() if code in (1, 2) and not out.getvalue() else out.getvalue()


@contextmanager
def _inside(folder: Path) -> Iterator[None]:
    """Work in a folder, with a log of its own."""
    kept, data = Path.cwd(), os.environ.get("XDG_DATA_HOME")
    os.chdir(folder)
    os.environ["XDG_DATA_HOME"] = str(folder / ".data")
    try:
        yield
    finally:
        os.chdir(kept)
        if data is None:
            del os.environ["XDG_DATA_HOME"]
        else:
            os.environ["XDG_DATA_HOME"] = data
