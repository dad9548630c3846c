"""A bounce or a tool file that cannot be used."""

from autochain.errors import UsageError


class ToolError(UsageError):
    """A bounce that cannot be read, or a tool file that cannot hold."""
