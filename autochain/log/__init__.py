"""A log of what was done, one line of JSON each, on the user's own disk; and what it shows over the last masters."""
