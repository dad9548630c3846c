"""The desk: a page of this computer's own that does the whole job, from mixes to the files that go out."""
