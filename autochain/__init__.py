"""Starting settings for a staged mastering chain, measured on the mix at hand."""

__version__ = "0.1.0"
