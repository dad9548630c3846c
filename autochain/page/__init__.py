"""The sheet as a page to look at and to listen with: pictures, text and sound in one file that needs no network."""

from autochain.page.sheet_page import thirds_of, to_html

__all__ = ["thirds_of", "to_html"]
