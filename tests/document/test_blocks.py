"""One set of blocks, two formats that say the same."""

import re
from html import unescape

import pytest
from markdown_it import MarkdownIt

from autochain.document import blocks as b
from autochain.document.as_html import html
from autochain.document.as_markdown import markdown

# An independent reader of CommonMark, from the package registry.
READER = MarkdownIt("commonmark").enable("table")
AWKWARD = (
    "a *b* [c](d) <i>e</i> `f`", "two_words and _one_ alone", "back\\*slash \\ and c:\\new", "&amp; is & and &#42;",
    "pipe | in a cell", "plain",
)  # fmt: skip


def seen(markup: str) -> str:
    """What a reader sees of HTML."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", markup)).split())


@pytest.mark.parametrize("words", AWKWARD)
def test_a_string_is_text_in_both_formats_whatever_signs_it_holds(words: str) -> None:
    said = [
        b.Heading(words), b.Paragraph(words), b.Listed([words, words]), b.Table(["head", "other"], [[words, words]]),
        b.Paragraph((b.Strong(words), " and ", b.FileName(words))),
    ]  # fmt: skip
    page = "".join(html(said))
    assert seen(READER.render(markdown(said))) == seen(page)
    assert seen(page).count(" ".join(words.split())) == 8


def test_a_picture_and_a_player_stand_on_the_page_alone_and_a_part_may_say_which_it_is_for() -> None:
    said = [
        b.Figure("<svg></svg>", "caption"),
        b.Player('<button type="button">play</button>'),
        b.Part([b.Paragraph("for the page")], role="set", mark="here", only="page"),
        b.Part([b.Paragraph("for the text")], only="text"),
        b.Part([b.Paragraph("for both")]),
    ]
    assert markdown(said) == "for the text\n\nfor both\n"
    page = "".join(html(said))
    assert '<section id="here" class="set"><p>for the page</p></section><p>for both</p>' in page
    assert "for the text" not in page
    assert "<button" in page
    assert "<figcaption>caption" in page


def test_a_folded_part_is_folded_on_the_page_and_open_in_the_text() -> None:
    said = [b.Folded("See", [b.Paragraph("what")]), b.Folded("Now", [b.Paragraph("then")], opened=True)]
    assert markdown(said) == "See\n\nwhat\n\nNow\n\nthen\n"
    page = "".join(html(said))
    assert page == (
        "<details><summary>See</summary><p>what</p></details>"
        "<details open><summary>Now</summary><p>then</p></details>"
    )


def test_what_is_folded_may_have_a_heading_for_its_title() -> None:
    said = [b.Folded(b.Heading(b.FileName("a|b.wav"), 2), [b.Paragraph("what")])]
    assert markdown(said) == "## a|b.wav\n\nwhat\n"
    assert "<summary><h2><bdi>a|b.wav</bdi></h2></summary>" in "".join(html(said))


def test_the_contents_lead_to_every_marked_heading_of_the_page() -> None:
    said = [
        b.Heading("Title", 1),
        b.Part([b.Heading("First & best", mark="first"), b.Paragraph("words")]),
        b.Part([b.Heading("Text", mark="text")], only="text"),
        b.Heading("Second", mark="second"),
    ]
    page = "".join(html([b.contents(said), *said]))
    links = re.findall(r'<a href="#(\w+)"><bdi>(.*?)</bdi>', page)
    assert links == [("first", "First &amp; best"), ("second", "Second")]
    assert all(f'id="{mark}"' in page for mark, _ in links)
    assert "first" not in markdown([b.contents(said)])


def test_a_time_is_text_and_on_a_page_it_knows_where_to_play_from() -> None:
    said = [b.Paragraph(("at ", b.Time("1:02.5", 61.5), "."))]
    assert markdown(said) == "at 1:02.5.\n"
    assert "".join(html(said)) == '<p>at <span data-time="61.50">1:02.5</span>.</p>'


def test_a_name_of_two_lines_breaks_no_heading_and_a_text_of_two_lines_keeps_them() -> None:
    assert markdown([b.Heading(b.FileName("one\n# two"))]) == "## one\\n# two\n"
    assert markdown([b.Paragraph("one\ntwo")]) == "one\ntwo\n"


def test_a_wide_table_is_made_to_be_stacked_on_a_phone() -> None:
    narrow = "".join(html([b.table(["a", "b"], [["1", "2"]])]))
    wide = "".join(html([b.table(["a", "b", "c", "d"], [["1", "2", "3", "4"]])]))
    assert "data-head" not in narrow
    assert '<div class="wide stack">' in wide
    assert '<td data-head="c">3</td>' in wide


def test_a_row_of_another_length_than_its_head_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="zip"):
        list(html([b.Table(["a", "b"], [["1"]])]))


def test_what_turns_or_breaks_a_line_is_spelt_out() -> None:
    name = "left‮right"  # an override of direction (Unicode, UAX 9)
    for text in (markdown([b.Paragraph(b.FileName(name))]), "".join(html([b.Paragraph(b.FileName(name))]))):
        assert "‮" not in text
        assert "\\u202e" in text


def test_a_break_in_a_name_breaks_no_table_list_or_heading() -> None:
    name = "a\nb"
    said = [b.Heading(name), b.Listed([name]), b.Table(["head"], [[name]]), b.Paragraph(b.FileName(name))]
    assert markdown(said) == "## a\\nb\n\n- a\\nb\n\n| head |\n| --- |\n| a\\nb |\n\na\\nb\n"
    assert markdown([b.Paragraph("two sentences.\nTwo lines.")]) == "two sentences.\nTwo lines.\n"


def test_a_name_stays_on_its_line() -> None:
    name = "two\n# lines"
    said = [b.Heading(b.FileName(name)), b.Table(["file"], [[b.FileName(name)]]), b.Paragraph(b.Strong(name))]
    assert markdown(said) == "## two\\n# lines\n\n| file |\n| --- |\n| two\\n# lines |\n\n**two\\n# lines**\n"
    assert "".join(html(said)).count("two\\n# lines") == 3


def test_lines_that_are_numbered_are_numbered_in_both() -> None:
    said = [b.Listed(["first", "second"], numbered=True, role="ranked")]
    assert markdown(said) == "1. first\n2. second\n"
    assert "".join(html(said)) == '<ol class="ranked"><li>first</li><li>second</li></ol>'


def test_a_section_is_folded_under_its_heading_and_the_contents_lead_inside() -> None:
    plain = [b.Heading("Costs", mark="costs"), b.Paragraph("much")]
    whole = [b.Part([b.Heading("Figures", mark="figures"), b.Paragraph("many")], role="narrow")]
    said = [*b.fold(plain), *b.fold(whole, opened=True), *b.fold([])]
    page = "".join(html([b.contents(said), *said]))
    assert page == (
        '<ul class="contents"><li><a href="#costs"><bdi>Costs</bdi></a></li>'
        '<li><a href="#figures"><bdi>Figures</bdi></a></li></ul>'
        '<details><summary><h2>Costs</h2></summary><section id="costs"><p>much</p></section></details>'
        '<details open><summary><h2>Figures</h2></summary><section id="figures">'
        '<section class="narrow"><p>many</p></section></section></details>'
    )
    assert markdown(said) == markdown([*plain, *whole])
