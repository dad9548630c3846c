"""Outside judges of a master: measures that the search never sees, under one protocol. Benchmarks only."""
