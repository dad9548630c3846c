"""What loudness costs: the best settings at each loudness from quiet to loud, and where it begins to cost more."""
