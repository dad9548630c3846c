"""Several songs that belong together: levels that fit each other, a sheet for each, one overview."""
