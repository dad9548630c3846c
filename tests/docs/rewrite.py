"""Make the examples of the README and the pages anew: `python -m tests.docs.rewrite`, from the top of the project.

It runs every command that the pages name (two minutes or less) and writes what they print into the pages. Behind the
command, the names of pages (`docs/curve.md`) choose these. Where the demo is run, its sheet is stored anew as well
(`tests/demo/sheet.json`), and the picture of the desk is taken of it, where Chromium is.
"""

import sys
import tempfile
from pathlib import Path

from tests.browsing import CHROMIUM
from tests.demo.stored import STORED
from tests.desk.picture import draw
from tests.docs.examples import PAGES, TOP, Workbench, examples_of, needed_by, shown_of


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        bench = Workbench(Path(folder), {})
        for page in [TOP / name for name in sys.argv[1:]] or PAGES:
            # In the order of reading, as a later one may use what an earlier one has made.
            for command in (*needed_by(page), *(example.command for example in examples_of(page))):
                bench.output_of(command)
            lines = page.read_text(encoding="utf-8").splitlines()
            for example in reversed(examples_of(page)):
                made = shown_of(bench.output_of(example.command), example.shown)
                new = [f"{example.prefix}{line}".rstrip() for line in made.splitlines()]
                if lines[example.first : example.last] != new:
                    lines[example.first : example.last] = new
                    name = example.command.splitlines()[0]
                    sys.stdout.write(f"{page.relative_to(TOP)}, line {example.line}: {name}\n")
            page.write_text("\n".join(lines) + "\n", encoding="utf-8")
        for sheet in (bench.folder / "autochain-demo").glob("*.sheet.json"):
            STORED.write_bytes(sheet.read_bytes())
            if CHROMIUM is not None:
                draw(sheet.parent, TOP / "docs" / "pictures" / "desk.png")


if __name__ == "__main__":
    main()
