"""A processor of the user's, measured: the test it is played, the fit, and what its knobs mean."""
