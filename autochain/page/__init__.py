"""The sheet as a page to look at and to listen with: pictures, text and sound in one file that needs no network."""

from autochain.page.sheet_page import to_html

__all__ = ["to_html"]
