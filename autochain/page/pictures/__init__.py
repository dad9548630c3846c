"""One picture, one file: plain numbers in, SVG text out."""
