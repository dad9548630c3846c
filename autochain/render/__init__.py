"""From a sheet to the files that go out: the master, its formats, and what they measure once written."""
