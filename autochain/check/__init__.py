"""The verdict on mixes: what a check is, and its forms as Markdown and JSON."""
