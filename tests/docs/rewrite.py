"""Make the examples of the README and the pages anew: `python -m tests.docs.rewrite`, from the top of the project.

It runs every command that the pages name (two minutes or less) and writes what they print into the pages.
"""

import sys
import tempfile
from pathlib import Path

from tests.docs.examples import PAGES, TOP, Workbench, examples_of, needed_by, shown_of


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        bench = Workbench(Path(name), {})
        for page in PAGES:
            for command in needed_by(page):
                bench.output_of(command)
            lines = page.read_text(encoding="utf-8").splitlines()
            for example in reversed(examples_of(page)):
                made = shown_of(bench.output_of(example.command), example.shown)
                new = [f"{example.prefix}{line}".rstrip() for line in made.splitlines()]
                if lines[example.first : example.last] != new:
                    lines[example.first : example.last] = new
                    sys.stdout.write(f"{page.relative_to(TOP)}, line {example.line}: {example.command}\n")
            page.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
