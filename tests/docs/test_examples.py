"""What README and pages show is what the commands print."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import Ran
from tests.docs.examples import PAGES, TOP, Example, Workbench, difference, examples_of, needed_by, shown_of

EXAMPLES = [example for page in PAGES for example in examples_of(page)]


@pytest.fixture(scope="module")
def bench(full_demo: Callable[[], tuple[Path, Ran]], tmp_path_factory: pytest.TempPathFactory) -> Workbench:
    """All commands that the pages name, run in the order of reading, whichever test asks first."""
    folder = tmp_path_factory.mktemp("bench")
    made, ran = full_demo()
    (folder / "autochain-demo").symlink_to(made, target_is_directory=True)
    bench = Workbench(folder, {"autochain demo": ran.out})
    for page in PAGES:
        for command in (*needed_by(page), *(example.command for example in examples_of(page))):
            bench.output_of(command)
    return bench


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda one: f"{one.page.relative_to(TOP)}:{one.line}")
def test_an_example_is_what_its_command_prints(example: Example, bench: Workbench) -> None:
    made = shown_of(bench.output_of(example.command), example.shown)
    parted = difference(example.text, made)
    assert parted is None, f"{parted}\nWhere that is meant, `python -m tests.docs.rewrite` makes the examples anew."


@pytest.mark.parametrize("page", [p for p in PAGES if p.name != "README.md"], ids=lambda p: p.stem)
def test_every_page_shows_something_that_a_command_made(page: Path) -> None:
    assert examples_of(page)


def test_the_readme_shows_the_demo() -> None:
    assert [one.command for one in EXAMPLES if one.page == TOP / "README.md"] == ["autochain demo"]


def test_the_configuration_with_mistakes_is_the_one_on_its_page(bench: Workbench) -> None:
    written = (bench.folder / "wrong.toml").read_text(encoding="utf-8")
    assert f"```toml\n{written}```" in (TOP / "docs" / "configuration.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("printed", "made"),
    [
        ("-8.0 LUFS", "-8.2 LUFS"),  # two digits of the last place
        ("-8.0 LUFS", "-8.00 LUFS"),  # another precision
        ("release 5 ms", "release 6 ms"),  # a setting
        ("-8.0 LUFS", "-8.0 LU"),
        ("one\ntwo", "one"),
        ("it takes 3.0 dB", "it took 3.0 dB"),
    ],
)
def test_a_difference_is_seen(printed: str, made: str) -> None:
    assert difference(printed, made) is not None


@pytest.mark.parametrize("made", ["-8.0 LUFS, 3 of 4", "-8.1 LUFS, 3 of 4", "-7.9 LUFS, 3 of 4"])
def test_the_last_digit_of_a_reading_may_fall_to_the_other_side(made: str) -> None:
    assert difference("-8.0 LUFS, 3 of 4", made) is None


def test_a_part_of_an_output_is_cut_out_by_its_heading() -> None:
    output = "# Title\n\nfirst\n\n## Table\n\n| a | b |\n| --- | --- |\n| 1 | 2 |\n\nbelow\n"
    assert shown_of(output, "top; Table, 3 lines, without b") == "first\n\n| a |\n| --- |\n| 1 |"
    with pytest.raises(ValueError, match="no section 'Tables'"):
        shown_of(output, "Tables")
