"""Shared by all tests: one small, finished search that several files look at."""
